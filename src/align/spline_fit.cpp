#include "align/spline_fit.h"

#include <Eigen/SparseCholesky>
#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>

#include "align/parallel.h"
#include "align/vectors.h"

namespace rebite::align {
namespace {

constexpr int kFunctions = 32;
constexpr int kPairs = kFunctions * (kFunctions + 1) / 2;

// Integrals of products of B-splines (order-th derivatives) over all cells, one axis; banded.
Eigen::MatrixXd gram(int cells, double spacing, int order) {
  const int n = cells + 3;
  Eigen::MatrixXd g = Eigen::MatrixXd::Zero(n, n);
  // Gauss-Legendre, 4 points: exact to degree 7, the products have degree 6.
  constexpr std::array<double, 4> x{
      0.06943184420297371, 0.33000947820757187, 0.66999052179242813, 0.93056815579702629};
  constexpr std::array<double, 4> w{
      0.17392742256872693, 0.32607257743127307, 0.32607257743127307, 0.17392742256872693};
  for (std::size_t q = 0; q < 4; ++q) {
    const CubicWeights c(x[q]);
    constexpr std::array<double, 4> third{-1, 3, -3, 1};
    const std::array<double, 4>& f = order == 0   ? c.value
                                     : order == 1 ? c.slope
                                     : order == 2 ? c.bend
                                                  : third;
    const double scale = w[q] * spacing / std::pow(spacing, 2 * order);
    for (int cell = 0; cell < cells; ++cell)
      for (int a = 0; a < 4; ++a)
        for (int b = 0; b < 4; ++b)
          g(cell + a, cell + b) +=
              scale * f[static_cast<std::size_t>(a)] * f[static_cast<std::size_t>(b)];
  }
  return g;
}

// Integral of the squared derivatives of an order (2 or 3), each mixed one as often as it occurs.
Eigen::SparseMatrix<double> energy_of(const SplineGrid& grid, int order) {
  std::array<Eigen::MatrixXd, 4> gx, gy;
  for (int k = 0; k <= order; ++k) {
    gx[static_cast<std::size_t>(k)] = gram(grid.cells_x, grid.spacing, k);
    gy[static_cast<std::size_t>(k)] = gram(grid.cells_y, grid.spacing, k);
  }
  constexpr std::array<std::array<double, 4>, 2> binomial{{{1, 2, 1, 0}, {1, 3, 3, 1}}};
  const auto& times = binomial[static_cast<std::size_t>(order - 2)];
  std::vector<Eigen::Triplet<double>> entries;
  for (int j = 0; j < grid.ny(); ++j)
    for (int i = 0; i < grid.nx(); ++i)
      for (int l = std::max(0, j - 3); l < std::min(grid.ny(), j + 4); ++l)
        for (int k = std::max(0, i - 3); k < std::min(grid.nx(), i + 4); ++k) {
          const int row = grid.index(i, j), col = grid.index(k, l);
          if (row < col) continue;  // lower triangle
          double sum = 0;
          for (int down = 0; down <= order; ++down)
            sum += times[static_cast<std::size_t>(down)] *
                   gx[static_cast<std::size_t>(order - down)](i, k) *
                   gy[static_cast<std::size_t>(down)](j, l);
          entries.emplace_back(row, col, sum);
        }
  Eigen::SparseMatrix<double> energy(grid.size(), grid.size());
  energy.setFromTriplets(entries.begin(), entries.end());
  return energy;
}

int slot(const Eigen::SparseMatrix<double>& m, int row, int col) {
  const int* first = m.innerIndexPtr() + m.outerIndexPtr()[col];
  const int* last = m.innerIndexPtr() + m.outerIndexPtr()[col + 1];
  const int* found = std::lower_bound(first, last, row);
  assert(found != last && *found == row);
  return static_cast<int>(found - m.innerIndexPtr());
}

}  // namespace

SplineFit::SplineFit(const cv::Rect2d& area_mm, double spacing_mm, int ratio, int threads)
    : area_(area_mm),
      stiff_(SplineGrid::over(area_mm, spacing_mm * ratio)),
      fine_(stiff_.finer(ratio)),
      ratio_(ratio),
      threads_(threads),
      bending_(energy_of(stiff_, 2)),
      third_(energy_of(stiff_, 3)) {
  build_pattern();
}

std::array<int, kFunctions> SplineFit::functions_of(int cell) const {
  const int i = cell % fine_.cells_x, j = cell / fine_.cells_x;
  std::array<int, kFunctions> f{};
  for (int b = 0; b < 4; ++b)
    for (int a = 0; a < 4; ++a) {
      f[static_cast<std::size_t>(4 * b + a)] = stiff_.index(i / ratio_ + a, j / ratio_ + b);
      f[static_cast<std::size_t>(16 + 4 * b + a)] = stiff_.size() + fine_.index(i + a, j + b);
    }
  return f;
}

SplineFit::Basis SplineFit::basis_at(cv::Point2d mm) const {
  Basis basis;
  const SplineGrid::Place p = fine_.place(mm);
  basis.cell = p.j * fine_.cells_x + p.i;
  const CubicWeights fx(p.s), fy(p.t);
  const CubicWeights sx((p.i % ratio_ + p.s) / ratio_), sy((p.j % ratio_ + p.t) / ratio_);
  for (std::size_t b = 0; b < 4; ++b)
    for (std::size_t a = 0; a < 4; ++a) {
      basis.weight[4 * b + a] = sx.value[a] * sy.value[b];
      basis.weight[16 + 4 * b + a] = fx.value[a] * fy.value[b];
    }
  return basis;
}

void SplineFit::build_pattern() {
  const int cells = fine_.cells_x * fine_.cells_y;
  // Which functions g <= f meet in a cell or by the bending, by g.
  std::vector<std::vector<int>> meet(static_cast<std::size_t>(unknowns() / 2));
  const auto add = [&](int f, int g) { meet[static_cast<std::size_t>(g)].push_back(f); };
  for (int cell = 0; cell < cells; ++cell) {
    const auto f = functions_of(cell);  // increasing
    for (std::size_t a = 0; a < kFunctions; ++a)
      for (std::size_t b = 0; b <= a; ++b) add(f[a], f[b]);
  }
  for (int col = 0; col < bending_.outerSize(); ++col)
    for (Sparse::InnerIterator it(bending_, col); it; ++it)
      add(static_cast<int>(it.row()), static_cast<int>(it.col()));
  Eigen::Index all = 0;
  for (auto& rows : meet) {
    std::sort(rows.begin(), rows.end());
    rows.erase(std::unique(rows.begin(), rows.end()), rows.end());
    all += 4 * std::ssize(rows) - 1;  // both columns; the second lacks the row above its diagonal
  }
  normal_.resize(unknowns(), unknowns());
  normal_.reserve(all);
  for (int col = 0; col < unknowns(); ++col) {
    normal_.startVec(col);
    for (const int f : meet[static_cast<std::size_t>(col / 2)])
      for (int row = std::max(2 * f, col); row < 2 * f + 2; ++row) normal_.insertBack(row, col) = 0;
  }
  normal_.finalize();
  meet = {};

  slots_.reserve(static_cast<std::size_t>(cells) * kPairs);
  for (int cell = 0; cell < cells; ++cell) {
    const auto f = functions_of(cell);  // increasing, so (a, b) with b <= a is the lower triangle
    for (std::size_t a = 0; a < kFunctions; ++a)
      for (std::size_t b = 0; b <= a; ++b) slots_.push_back(slot(normal_, 2 * f[a], 2 * f[b]));
  }
  for (int col = 0; col < bending_.outerSize(); ++col)
    for (Sparse::InnerIterator it(bending_, col); it; ++it)
      for (int c = 0; c < 2; ++c)
        bending_slots_.push_back(
            slot(normal_, 2 * static_cast<int>(it.row()) + c, 2 * static_cast<int>(it.col()) + c));
  for (int k = 0; k < unknowns(); ++k) diagonal_slots_.push_back(slot(normal_, k, k));
  factor_.analyze(normal_);
}

void SplineFit::add_prior(const SmoothnessPrior& prior) {
  double* value = normal_.valuePtr();
  std::size_t k = 0;
  const double third = prior.reach * prior.reach;
  const double *bend = bending_.valuePtr(), *turn = third_.valuePtr();
  for (Eigen::Index n = 0; n < bending_.nonZeros(); ++n)
    for (int c = 0; c < 2; ++c)
      value[bending_slots_[k++]] += prior.bending * (bend[n] + third * turn[n]);
  const double fine = 1 / (prior.fine_sd * prior.fine_sd);
  for (int n = 0; n < unknowns(); ++n)
    // The ridge on the stiff layer only keeps a direction without any data finite.
    value[diagonal_slots_[static_cast<std::size_t>(n)]] += n < 2 * stiff_.size() ? 1e-6 : fine;
}

namespace {

constexpr int kHalf = kFunctions / 2;

// Of one cell: the functions of one lot (columns) with all up to which they count (rows).
struct CellLot {
  std::array<std::size_t, kHalf> own{};       // which of the cell's functions, increasing
  std::array<std::size_t, kFunctions> end{};  // of each row: how many of them are at or before it
  std::array<std::array<double, kHalf>, kFunctions> xx{}, xy{}, yy{};
};

// One datum. (A row's columns in whole fours: what stands past its end is never read.)
[[gnu::always_inline]] inline void add_datum(CellLot& m,
                                             const FitDatum& d,
                                             const std::array<double, kFunctions>& w) {
  std::array<double, kHalf> column{};
  for (std::size_t c = 0; c < kHalf; ++c) column[c] = w[m.own[c]];
  const double info_xx = d.info(0, 0), info_xy = d.info(0, 1), info_yy = d.info(1, 1);
  for (std::size_t a = 0; a < kFunctions; ++a) {
    const double wa = w[a] * d.weight;
    for (std::size_t first = 0; first < m.end[a]; first += 4)
      for (std::size_t c = first; c < first + 4; ++c) {
        const double p = wa * column[c];
        m.xx[a][c] += p * info_xx;
        m.xy[a][c] += p * info_xy;
        m.yy[a][c] += p * info_yy;
      }
  }
}
[[gnu::target("avx2")]] void add_datum_avx2(CellLot& m,
                                            const FitDatum& d,
                                            const std::array<double, kFunctions>& w) {
  add_datum(m, d, w);
}

}  // namespace

// Data sorted by cell, in their own order within it.
struct SplineFit::Members {
  const std::vector<FitDatum>& data;
  std::vector<Basis> basis;
  std::vector<std::vector<int>> of_cell;
};

// Every second function's columns of the normal equations: each entry is added to cell by cell, and
// in a cell datum by datum, so sums do not depend on threads.
void SplineFit::add_lot(const Members& members, int lot) {
  double* value = normal_.valuePtr();
  const int* start = normal_.outerIndexPtr();
  const bool avx2 = with_avx2(Vectors::widest);
  CellLot m;
  for (std::size_t cell = 0; cell < members.of_cell.size(); ++cell) {
    if (members.of_cell[cell].empty()) continue;
    const auto f = functions_of(static_cast<int>(cell));
    std::size_t n = 0;
    for (std::size_t a = 0; a < kFunctions; ++a) {
      if (f[a] % 2 == lot) m.own[n++] = a;  // of four neighbours two, so half of them all
      m.end[a] = n;
    }
    assert(n == kHalf);
    m.xx = m.xy = m.yy = {};
    for (const int k : members.of_cell[cell]) {
      const auto at = static_cast<std::size_t>(k);
      if (members.data[at].weight <= 0) continue;
      const auto add = avx2 ? add_datum_avx2 : add_datum;
      add(m, members.data[at], members.basis[at].weight);
    }
    const int* slots = slots_.data() + cell * kPairs;
    for (std::size_t a = 0; a < kFunctions; ++a)
      for (std::size_t c = 0; c < m.end[a]; ++c) {
        const std::size_t b = m.own[c];
        // Column 2 f[b]: rows 2 f[a], 2 f[a] + 1 are neighbours; column 2 f[b] + 1 likewise.
        const int s = slots[a * (a + 1) / 2 + b], col = 2 * f[b] + 1;
        value[s] += m.xx[a][c];
        value[s + 1] += m.xy[a][c];
        if (a == b) {
          value[start[col]] += m.yy[a][c];
          continue;
        }
        const int t = start[col] + (s - start[col - 1]) - 1;  // its column lacks one row
        assert(normal_.innerIndexPtr()[t] == 2 * f[a]);
        value[t] += m.xy[a][c];
        value[t + 1] += m.yy[a][c];
      }
  }
}

void SplineFit::add_cells(const std::vector<FitDatum>& data) {
  Members members{data, std::vector<Basis>(data.size()), {}};
  members.of_cell.resize(static_cast<std::size_t>(fine_.cells_x * fine_.cells_y));
  for (std::size_t k = 0; k < data.size(); ++k) {
    members.basis[k] = basis_at(data[k].at);
    members.of_cell[static_cast<std::size_t>(members.basis[k].cell)].push_back(static_cast<int>(k));
  }
  in_parallel(2, threads_, [&](int first, int last) {
    for (int lot = first; lot < last; ++lot) add_lot(members, lot);
  });
  for (std::size_t k = 0; k < data.size(); ++k) {
    const FitDatum& d = data[k];
    if (d.weight <= 0) continue;
    const Basis& basis = members.basis[k];
    const auto f = functions_of(basis.cell);
    const cv::Vec2d pull = d.info * d.shift * d.weight;
    for (std::size_t a = 0; a < kFunctions; ++a) {
      right_[2 * f[a]] += basis.weight[a] * pull[0];
      right_[2 * f[a] + 1] += basis.weight[a] * pull[1];
    }
  }
}

// Up to a constant: affine maps have no energy, whatever the reach.
double SplineFit::log_det_of_energy(double reach) {
  if (const auto known = energy_dets_.find(reach); known != energy_dets_.end())
    return known->second;
  Sparse energy = bending_ + reach * reach * third_;
  for (int k = 0; k < stiff_.size(); ++k) energy.coeffRef(k, k) += 1e-7;
  const Eigen::SimplicialLDLT<Sparse, Eigen::Lower> factor(energy);
  const double det = factor.vectorD().array().max(1e-300).log().sum();
  return energy_dets_[reach] = det;
}

SplineFit::Answer SplineFit::solve(const std::vector<FitDatum>& data,
                                   const SmoothnessPrior& prior) {
  take(data);
  return solve_taken(prior);
}

void SplineFit::take(const std::vector<FitDatum>& data) {
  data_ = &data;
  std::fill_n(normal_.valuePtr(), normal_.nonZeros(), 0.0);
  right_ = Eigen::VectorXd::Zero(unknowns());
  add_cells(data);
  of_data_.assign(normal_.valuePtr(), normal_.valuePtr() + normal_.nonZeros());
}

SplineFit::Answer SplineFit::solve_taken(const SmoothnessPrior& prior) {
  std::copy(of_data_.begin(), of_data_.end(), normal_.valuePtr());
  add_prior(prior);
  const bool definite = factor_.factorize(normal_, threads_);
  assert(definite);
  const Eigen::VectorXd c = factor_.solve(right_);

  std::vector<cv::Vec2d> stiff(static_cast<std::size_t>(stiff_.size()));
  std::vector<cv::Vec2d> fine(static_cast<std::size_t>(fine_.size()));
  for (int k = 0; k < stiff_.size(); ++k)
    stiff[static_cast<std::size_t>(k)] = {c[2 * k], c[2 * k + 1]};
  Answer answer;
  Eigen::VectorXd x(stiff_.size()), y(stiff_.size());
  for (int k = 0; k < stiff_.size(); ++k) {
    x[k] = c[2 * k];
    y[k] = c[2 * k + 1];
  }
  const auto energy = [&](const Sparse& of) {
    const auto all = of.selfadjointView<Eigen::Lower>();
    return x.dot(all * x) + y.dot(all * y);
  };
  answer.prior_energy =
      prior.bending * (energy(bending_) + prior.reach * prior.reach * energy(third_));
  for (int k = 0; k < fine_.size(); ++k) {
    const int n = 2 * (stiff_.size() + k);
    fine[static_cast<std::size_t>(k)] = {c[n], c[n + 1]};
    answer.prior_energy += (c[n] * c[n] + c[n + 1] * c[n + 1]) / (prior.fine_sd * prior.fine_sd);
  }
  answer.stiff = SplineField(stiff_, std::move(stiff));
  answer.fine = SplineField(fine_, std::move(fine));
  answer.residual.resize(data_->size());
  in_parallel(static_cast<int>(data_->size()), threads_, [&](int first, int last) {
    for (auto k = static_cast<std::size_t>(first); k < static_cast<std::size_t>(last); ++k) {
      const FitDatum& d = (*data_)[k];
      answer.residual[k] = d.shift - answer.stiff.at(d.at) - answer.fine.at(d.at);
    }
  });
  for (std::size_t k = 0; k < data_->size(); ++k) {
    const FitDatum& d = (*data_)[k];
    const cv::Vec2d& e = answer.residual[k];
    answer.chi2 += d.weight * (d.info * e).dot(e);
  }
  answer.log_det = factor_.log_det();
  answer.log_prior_det = 2 * (stiff_.size() - 3) * std::log(prior.bending) +
                         2 * log_det_of_energy(prior.reach) -
                         4 * fine_.size() * std::log(prior.fine_sd);
  return answer;
}

std::vector<cv::Matx22d> SplineFit::covariance_at(const std::vector<cv::Point2d>& places) const {
  std::vector<SparseCholesky::Form> forms;
  forms.reserve(places.size());
  for (const cv::Point2d& place : places) {
    const Basis b = basis_at(place);
    const auto f = functions_of(b.cell);
    auto& form = forms.emplace_back();
    for (std::size_t a = 0; a < kFunctions; ++a) form.push_back({f[a], b.weight[a]});
  }
  return factor_.variances_of(forms, threads_);
}

}  // namespace rebite::align

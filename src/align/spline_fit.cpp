#include "align/spline_fit.h"

#include <Eigen/SparseCholesky>
#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>

#include "align/parallel.h"

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

void SplineFit::add_cells(const std::vector<FitDatum>& data) {
  // Data sorted by cell, in their own order within it: sums do not depend on threads.
  const int cells = fine_.cells_x * fine_.cells_y;
  std::vector<Basis> basis(data.size());
  std::vector<std::vector<int>> members(static_cast<std::size_t>(cells));
  for (std::size_t k = 0; k < data.size(); ++k) {
    basis[k] = basis_at(data[k].at);
    members[static_cast<std::size_t>(basis[k].cell)].push_back(static_cast<int>(k));
  }
  struct Local {
    std::array<double, kPairs> xx{}, xy{}, yy{};
  };
  std::vector<Local> local(static_cast<std::size_t>(cells));
  in_parallel(cells, threads_, [&](int first, int last) {
    for (int cell = first; cell < last; ++cell) {
      Local& m = local[static_cast<std::size_t>(cell)];
      for (const int k : members[static_cast<std::size_t>(cell)]) {
        const FitDatum& d = data[static_cast<std::size_t>(k)];
        if (d.weight <= 0) continue;
        const auto& w = basis[static_cast<std::size_t>(k)].weight;
        std::size_t at = 0;
        for (std::size_t a = 0; a < kFunctions; ++a) {
          const double wa = w[a] * d.weight;
          for (std::size_t b = 0; b <= a; ++b, ++at) {
            const double p = wa * w[b];
            m.xx[at] += p * d.info(0, 0);
            m.xy[at] += p * d.info(0, 1);
            m.yy[at] += p * d.info(1, 1);
          }
        }
      }
    }
  });
  double* value = normal_.valuePtr();
  const int* rows = normal_.innerIndexPtr();
  // Two lots of columns, every second function's: each entry is still added to cell by cell.
  in_parallel(2, threads_, [&](int first_lot, int last_lot) {
    for (int lot = first_lot; lot < last_lot; ++lot) {
      for (int cell = 0; cell < cells; ++cell) {
        if (members[static_cast<std::size_t>(cell)].empty()) continue;
        const int* slots = slots_.data() + static_cast<std::size_t>(cell) * kPairs;
        const auto f = functions_of(cell);
        const Local& m = local[static_cast<std::size_t>(cell)];
        std::size_t p = 0;
        for (std::size_t a = 0; a < kFunctions; ++a)
          for (std::size_t b = 0; b <= a; ++b, ++p) {
            if (f[b] % 2 != lot) continue;
            // Column 2 f[b]: rows 2 f[a], 2 f[a] + 1 are neighbours; column 2 f[b] + 1 likewise.
            const int s = slots[p];
            value[s] += m.xx[p];
            value[s + 1] += m.xy[p];
            assert(rows[s + 1] == 2 * f[a] + 1);
            const int col = 2 * f[b] + 1;
            if (a == b) {
              value[normal_.outerIndexPtr()[col]] += m.yy[p];
            } else {
              const int offset = s - normal_.outerIndexPtr()[col - 1];
              const int t = normal_.outerIndexPtr()[col] + offset - 1;  // its column lacks one row
              assert(rows[t] == 2 * f[a]);
              value[t] += m.xy[p];
              value[t + 1] += m.yy[p];
            }
          }
      }
    }
  });
  for (std::size_t k = 0; k < data.size(); ++k) {
    const FitDatum& d = data[k];
    if (d.weight <= 0) continue;
    const auto f = functions_of(basis[k].cell);
    const cv::Vec2d pull = d.info * d.shift * d.weight;
    for (std::size_t a = 0; a < kFunctions; ++a) {
      right_[2 * f[a]] += basis[k].weight[a] * pull[0];
      right_[2 * f[a] + 1] += basis[k].weight[a] * pull[1];
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
  for (const FitDatum& d : *data_) {
    const cv::Vec2d e = d.shift - answer.stiff.at(d.at) - answer.fine.at(d.at);
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

#include "wedge/least_squares.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cassert>
#include <cmath>
#include <limits>

namespace rebite::wedge {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

class Solver {
 public:
  Solver(const LeastSquaresProblem& problem, const LeastSquaresOptions& options)
      : problem_(problem), options_(options), n_(problem.start.size()) {
    assert(problem.count >= 1 && n_ >= 1);
    assert(problem.lower.size() == 0 || problem.lower.size() == n_);
    assert(problem.upper.size() == 0 || problem.upper.size() == n_);
  }

  LeastSquaresFit run();

 private:
  double low(Index j) const {
    return problem_.lower.size() ? problem_.lower[j] : -std::numeric_limits<double>::infinity();
  }
  double high(Index j) const {
    return problem_.upper.size() ? problem_.upper[j] : std::numeric_limits<double>::infinity();
  }
  VectorXd inside(VectorXd p) const {
    for (Index j = 0; j < n_; ++j) p[j] = std::clamp(p[j], low(j), high(j));
    return p;
  }
  bool evaluate(const VectorXd& p, VectorXd& r) const {
    r.resize(problem_.count);
    return problem_.residuals(p, r) && r.allFinite();
  }
  bool differentiate(const VectorXd& p, MatrixXd& J) const;
  bool difference_column(const VectorXd& p, Index j, MatrixXd& J) const;
  std::vector<bool> held(const VectorXd& p, const VectorXd& gradient) const;
  static void take(LeastSquaresFit& fit, const VectorXd& p, const VectorXd& r, const MatrixXd& J);
  void polish(LeastSquaresFit& fit) const;
  void finish(LeastSquaresFit& fit) const;

  const LeastSquaresProblem& problem_;
  const LeastSquaresOptions& options_;
  Index n_;
};

bool Solver::difference_column(const VectorXd& p, Index j, MatrixXd& J) const {
  // Fourth-order central differences; the step balances truncation h^4 against rounding eps / h.
  const double size = std::max(std::fabs(p[j]), 1e-8);
  const double room = std::min(p[j] - low(j), high(j) - p[j]);
  double h = 2e-4 * size;
  VectorXd far_up, up, down, far_down;
  const auto shifted = [&](double by, VectorXd& r) {
    VectorXd q = p;
    q[j] += by;
    return evaluate(q, r);
  };
  if (room > 1e-6 * size) {
    h = std::min(h, 0.45 * room);
    if (shifted(2 * h, far_up) && shifted(h, up) && shifted(-h, down) &&
        shifted(-2 * h, far_down)) {
      J.col(j) = (8 * (up - down) - (far_up - far_down)) / (12 * h);
      return true;
    }
  }
  // At a bound or at the edge of what can be computed: one-sided, second order, inwards.
  for (const double sign : {1.0, -1.0}) {
    const double inwards = sign > 0 ? high(j) - p[j] : p[j] - low(j);
    const double step = sign * std::min(1e-5 * size, 0.5 * inwards);
    if (step == 0) continue;
    VectorXd here;
    if (evaluate(p, here) && shifted(step, up) && shifted(2 * step, far_up)) {
      J.col(j) = (4 * up - far_up - 3 * here) / (2 * step);
      return true;
    }
  }
  return false;
}

bool Solver::differentiate(const VectorXd& p, MatrixXd& J) const {
  J.resize(problem_.count, n_);
  if (problem_.jacobian) {
    problem_.jacobian(p, J);
    return J.allFinite();
  }
  for (Index j = 0; j < n_; ++j) {
    if (low(j) >= high(j)) {
      J.col(j).setZero();  // it never moves
    } else if (!difference_column(p, j, J)) {
      return false;
    }
  }
  return J.allFinite();
}

std::vector<bool> Solver::held(const VectorXd& p, const VectorXd& gradient) const {
  std::vector<bool> out(static_cast<std::size_t>(n_), false);
  for (Index j = 0; j < n_; ++j) {
    const bool fixed = low(j) >= high(j);
    out[static_cast<std::size_t>(j)] =
        fixed || (p[j] <= low(j) && gradient[j] >= 0) || (p[j] >= high(j) && gradient[j] <= 0);
  }
  return out;
}

// The columns of J that may still move, each divided by its scale, factorised.
struct FreeColumns {
  std::vector<Index> which;
  MatrixXd columns;
  VectorXd scale;
  Eigen::ColPivHouseholderQR<MatrixXd> qr;
  bool full_rank = false;

  FreeColumns(const MatrixXd& J,
              const std::vector<bool>& held,
              const VectorXd& all_scales,
              double rank_limit) {
    for (Index j = 0; j < J.cols(); ++j) {
      if (!held[static_cast<std::size_t>(j)]) which.push_back(j);
    }
    const Index m = size();
    if (m == 0) return;
    columns.resize(J.rows(), m);
    scale.resize(m);
    for (Index k = 0; k < m; ++k) {
      columns.col(k) = J.col(at(k));
      scale[k] = std::max(all_scales[at(k)], 1e-300);
    }
    qr.compute(columns * scale.cwiseInverse().asDiagonal());
    const VectorXd r = qr.matrixR().diagonal().cwiseAbs();
    full_rank = r.minCoeff() > rank_limit * r[0];
  }
  Index size() const { return static_cast<Index>(which.size()); }
  Index at(Index k) const { return which[static_cast<std::size_t>(k)]; }
  // Relative offset: the part of r that lies in the columns' space, over its length.
  double offset(const VectorXd& r) const {
    const double norm = r.norm();
    if (norm == 0) return 0;
    const VectorXd turned = qr.householderQ().transpose() * r;
    return turned.head(size()).norm() / norm;
  }
  // The least-squares solution of [J; sqrt(mu) D] s = [-r; 0], put back among all parameters.
  VectorXd step(const VectorXd& r, double mu, Index parameters) const {
    const Index m = size();
    const Index n = columns.rows();
    MatrixXd damped(n + m, m);
    damped.topRows(n) = columns;
    damped.bottomRows(m) = MatrixXd((std::sqrt(mu) * scale).asDiagonal());
    VectorXd right = VectorXd::Zero(n + m);
    right.head(n) = -r;
    const VectorXd s = damped.colPivHouseholderQr().solve(right);
    VectorXd all = VectorXd::Zero(parameters);
    for (Index k = 0; k < m; ++k) all[at(k)] = s[k];
    return all;
  }
};

LeastSquaresFit Solver::run() {
  LeastSquaresFit fit;
  fit.parameters = inside(problem_.start);
  fit.at_bound.assign(static_cast<std::size_t>(n_), false);
  if (!evaluate(fit.parameters, fit.residuals) || !differentiate(fit.parameters, fit.jacobian)) {
    fit.end = FitEnd::not_computable;
    return fit;
  }
  fit.sum_squares = fit.residuals.squaredNorm();
  VectorXd scale = VectorXd::Zero(n_);
  double mu = 1e-3;
  double grow = 2;
  fit.end = FitEnd::ran_out_of_steps;
  while (fit.steps < options_.most_steps) {
    scale = scale.cwiseMax(VectorXd(fit.jacobian.colwise().norm()));
    fit.at_bound = held(fit.parameters, fit.jacobian.transpose() * fit.residuals);
    const FreeColumns free(fit.jacobian, fit.at_bound, scale, options_.rank_limit);
    if (free.size() == 0 || (free.full_rank && free.offset(fit.residuals) <= options_.offset)) {
      fit.end = FitEnd::converged;
      break;
    }
    const FitEnd bottom = free.full_rank ? FitEnd::converged : FitEnd::singular;
    const VectorXd next = inside(fit.parameters + free.step(fit.residuals, mu, n_));
    const VectorXd moved = next - fit.parameters;
    ++fit.steps;
    const double reach = scale.cwiseProduct(fit.parameters).norm();
    if (scale.cwiseProduct(moved).norm() <= options_.step * (reach + options_.step)) {
      fit.end = bottom;
      break;
    }
    VectorXd r;
    MatrixXd J;
    const double promised = fit.sum_squares - (fit.residuals + fit.jacobian * moved).squaredNorm();
    if (next.allFinite() && evaluate(next, r) && r.squaredNorm() < fit.sum_squares &&
        differentiate(next, J)) {
      const double ratio = promised > 0 ? (fit.sum_squares - r.squaredNorm()) / promised : 1;
      mu = std::max(mu * std::max(1.0 / 3.0, 1 - std::pow(2 * ratio - 1, 3)), 1e-18);
      grow = 2;
      take(fit, next, r, J);
      continue;
    }
    mu *= grow;
    grow *= 2;
    if (mu > 1e30) {  // no way down at any length: the bottom, as far as doubles can tell
      fit.end = bottom;
      break;
    }
  }
  finish(fit);
  return fit;
}

void Solver::take(LeastSquaresFit& fit, const VectorXd& p, const VectorXd& r, const MatrixXd& J) {
  fit.parameters = p;
  fit.residuals = r;
  fit.jacobian = J;
  fit.sum_squares = r.squaredNorm();
}

// Near the bottom the sum of squares no longer tells two points apart, the offset still does: a few
// undamped steps for the last digits.
void Solver::polish(LeastSquaresFit& fit) const {
  for (int k = 0; k < 4; ++k) {
    const VectorXd scale = fit.jacobian.colwise().norm();
    const FreeColumns free(fit.jacobian, fit.at_bound, scale, options_.rank_limit);
    if (free.size() == 0 || !free.full_rank) return;
    const double offset = free.offset(fit.residuals);
    const VectorXd next = inside(fit.parameters + free.step(fit.residuals, 0, n_));
    VectorXd r;
    MatrixXd J;
    if (!evaluate(next, r) || !differentiate(next, J)) return;
    if (r.squaredNorm() > fit.sum_squares * (1 + 1e-12)) return;
    const FreeColumns there(J, fit.at_bound, J.colwise().norm(), options_.rank_limit);
    if (!there.full_rank || there.offset(r) >= offset) return;
    take(fit, next, r, J);
  }
}

void Solver::finish(LeastSquaresFit& fit) const {
  fit.at_bound = held(fit.parameters, fit.jacobian.transpose() * fit.residuals);
  if (fit.end == FitEnd::converged) polish(fit);
  const FreeColumns free(
      fit.jacobian, fit.at_bound, fit.jacobian.colwise().norm(), options_.rank_limit);
  const Index m = free.size();
  fit.degrees_of_freedom = problem_.count - static_cast<int>(m);
  fit.unit_covariance = MatrixXd::Zero(n_, n_);
  if (m == 0) return;
  if (!free.full_rank) {
    fit.end = FitEnd::singular;
    return;
  }
  const MatrixXd R = free.qr.matrixR().topLeftCorner(m, m).triangularView<Eigen::Upper>();
  const MatrixXd inverse = R.triangularView<Eigen::Upper>().solve(MatrixXd::Identity(m, m));
  MatrixXd c = inverse * inverse.transpose();
  c = free.qr.colsPermutation() * c * free.qr.colsPermutation().transpose();
  for (Index a = 0; a < m; ++a) {
    for (Index b = 0; b < m; ++b) {
      fit.unit_covariance(free.at(a), free.at(b)) = c(a, b) / (free.scale[a] * free.scale[b]);
    }
  }
}

double radical_inverse(int i, int base) {
  double value = 0;
  for (double f = 1.0 / base; i > 0; i /= base, f /= base) value += f * (i % base);
  return value;
}

}  // namespace

MatrixXd LeastSquaresFit::covariance_estimated() const {
  assert(degrees_of_freedom > 0);
  return unit_covariance * (sum_squares / degrees_of_freedom);
}

LeastSquaresFit least_squares(const LeastSquaresProblem& problem,
                              const LeastSquaresOptions& options) {
  return Solver(problem, options).run();
}

LeastSquaresFit least_squares_from(LeastSquaresProblem problem,
                                   const std::vector<VectorXd>& starts,
                                   const LeastSquaresOptions& options) {
  assert(!starts.empty());
  LeastSquaresFit best;
  for (const VectorXd& start : starts) {
    problem.start = start;
    LeastSquaresFit fit = least_squares(problem, options);
    const bool first = best.end == FitEnd::not_run;
    if (fit.end == FitEnd::not_computable && !first) continue;
    const bool better =
        fit.usable() != best.usable() ? fit.usable() : fit.sum_squares < best.sum_squares;
    if (first || best.end == FitEnd::not_computable || better) best = std::move(fit);
  }
  return best;
}

std::vector<VectorXd> spread_starts(const VectorXd& start, double decades, int count) {
  constexpr int primes[] = {2, 3, 5, 7, 11, 13, 17, 19};  // Halton's sequence
  assert(start.size() <= 8);
  std::vector<VectorXd> starts{start};
  for (int i = 1; i < count; ++i) {
    VectorXd s = start;
    for (Index j = 0; j < s.size(); ++j) {
      s[j] *= std::pow(10.0, decades * (2 * radical_inverse(i, primes[j]) - 1));
    }
    starts.push_back(s);
  }
  return starts;
}

}  // namespace rebite::wedge

// Small nonlinear least squares: minimise |r(p)|^2 over a handful of parameters.
//
// Levenberg-Marquardt with Moré's column scaling (Moré, "The Levenberg-Marquardt algorithm:
// implementation and theory", Lecture Notes in Mathematics 630 (1978)), Nielsen's damping rule
// (Madsen, Nielsen & Tingleff, "Methods for Non-Linear Least Squares Problems", DTU 2004, algorithm
// 3.16), every step by a QR factorisation of the damped Jacobian, never by J'J. Bounds: parameters
// that push against one are held for the step. Checked against all 15 nonlinear sets of the NIST
// Statistical Reference Datasets (tests/wedge/nist_test.cpp).
//
// Weak where the problem is large (dense, no sparsity) or badly non-smooth.
#pragma once

#include <Eigen/Core>
#include <functional>
#include <vector>

namespace rebite::wedge {

struct LeastSquaresProblem {
  // Fills r (sized already) for p; returns false where the model cannot be computed there.
  std::function<bool(const Eigen::VectorXd& p, Eigen::VectorXd& r)> residuals;
  // dr_i/dp_j into J (sized already). Empty: central differences of fourth order.
  std::function<void(const Eigen::VectorXd& p, Eigen::MatrixXd& J)> jacobian;
  int count = 0;  // number of residuals, >= number of parameters
  Eigen::VectorXd start;
  Eigen::VectorXd lower;  // empty: unbounded; else one per parameter (may be -infinity)
  Eigen::VectorXd upper;
};

struct LeastSquaresOptions {
  int most_steps = 400;       // accepted or not
  double offset = 1e-11;      // relative offset |projection of r on J| / |r| (Bates & Watts 1981)
  double step = 1e-13;        // relative step length
  double rank_limit = 1e-11;  // of the scaled Jacobian's R diagonal: below it is singular
};

enum class FitEnd {
  not_run,
  converged,
  ran_out_of_steps,  // parameters are the best so far
  singular,          // the data do not fix the parameters; parameters are the best so far
  not_computable,    // the model fails at the start; parameters are the start
};

struct LeastSquaresFit {
  Eigen::VectorXd parameters;
  Eigen::VectorXd residuals;
  Eigen::MatrixXd jacobian;         // at the end
  Eigen::MatrixXd unit_covariance;  // (J'J)^-1 over the free parameters; 0 for those at a bound
  std::vector<bool> at_bound;
  double sum_squares = 0;
  int degrees_of_freedom = 0;  // count - free parameters
  int steps = 0;
  FitEnd end = FitEnd::not_run;

  bool usable() const { return end == FitEnd::converged; }
  // s^2 (J'J)^-1 with s^2 = sum of squares / degrees of freedom: spread estimated from residuals.
  Eigen::MatrixXd covariance_estimated() const;
  // (J'J)^-1: residuals were divided by known standard deviations.
  const Eigen::MatrixXd& covariance_known() const { return unit_covariance; }
};

LeastSquaresFit least_squares(const LeastSquaresProblem&, const LeastSquaresOptions& = {});

// The best usable fit over several starts (the best of all when none is usable).
LeastSquaresFit least_squares_from(LeastSquaresProblem problem,
                                   const std::vector<Eigen::VectorXd>& starts,
                                   const LeastSquaresOptions& = {});

// Starts spread by factors of up to 10^decades about `start` (0 stays 0), on a fixed
// low-discrepancy sequence; the first is `start` itself.
std::vector<Eigen::VectorXd> spread_starts(const Eigen::VectorXd& start, double decades, int count);

}  // namespace rebite::wedge

#include "wedge/saturating_form.h"

#include <Eigen/Dense>
#include <algorithm>
#include <cassert>
#include <cmath>

namespace rebite::wedge {
namespace {

using Eigen::Index;
using Eigen::MatrixXd;
using Eigen::VectorXd;

// The solver sees d0, rise = d1 - d0, ln tau, ln beta, latent: positive things stay positive.
enum Slot : std::size_t { s_d0, s_rise, s_tau, s_beta, s_latent, slots };

class Fitter {
 public:
  Fitter(const std::vector<double>& minutes,
         const std::vector<double>& density,
         const MatrixXd& covariance,
         const SaturatingOptions& options)
      : t_(minutes), y_(density), options_(options), whiten_(covariance) {
    assert(whiten_.info() == Eigen::Success);
    slots_ = {s_rise, s_tau};
    if (options.fit_d0) slots_.push_back(s_d0);
    if (options.fit_beta) slots_.push_back(s_beta);
    if (options.fit_latent) slots_.push_back(s_latent);
    const auto [low, high] = std::minmax_element(y_.begin(), y_.end());
    lowest_ = *low;
    span_ = std::max(*high - std::min(*low, options.fit_d0 ? *low : options.fixed.d0), 1e-9);
    longest_ = *std::max_element(t_.begin(), t_.end());
  }

  SaturatingFit run() const;

 private:
  Index data() const { return static_cast<Index>(y_.size()); }
  SaturatingForm form_of(const VectorXd& p) const;
  VectorXd parameters_of(const SaturatingForm& f) const;
  std::vector<VectorXd> starts() const;
  void residuals(const VectorXd& p, VectorXd& r) const;
  void jacobian(const VectorXd& p, MatrixXd& J) const;
  VectorXd bound(double sign) const;
  int extras() const {
    return (options_.ln_beta_spread && options_.fit_beta ? 1 : 0) +
           (options_.d0_guess && options_.fit_d0 ? 1 : 0);
  }

  const std::vector<double>& t_;
  const std::vector<double>& y_;
  const SaturatingOptions& options_;
  Eigen::LLT<MatrixXd> whiten_;
  std::vector<std::size_t> slots_;
  double lowest_ = 0, span_ = 1, longest_ = 1;
};

SaturatingForm Fitter::form_of(const VectorXd& p) const {
  SaturatingForm f = options_.fixed;
  double rise = 0;
  for (std::size_t k = 0; k < slots_.size(); ++k) {
    const double v = p[static_cast<Index>(k)];
    if (slots_[k] == s_d0) f.d0 = v;
    if (slots_[k] == s_rise) rise = v;
    if (slots_[k] == s_tau) f.tau = std::exp(v);
    if (slots_[k] == s_beta) f.beta = std::exp(v);
    if (slots_[k] == s_latent) f.latent = v;
  }
  f.d1 = f.d0 + rise;
  return f;
}

VectorXd Fitter::parameters_of(const SaturatingForm& f) const {
  VectorXd p(static_cast<Index>(slots_.size()));
  for (std::size_t k = 0; k < slots_.size(); ++k) {
    const double all[slots] = {f.d0, f.d1 - f.d0, std::log(f.tau), std::log(f.beta), f.latent};
    p[static_cast<Index>(k)] = all[slots_[k]];
  }
  return p;
}

void Fitter::residuals(const VectorXd& p, VectorXd& r) const {
  const SaturatingForm f = form_of(p);
  VectorXd e(data());
  for (Index i = 0; i < data(); ++i) {
    e[i] = f.at(t_[static_cast<std::size_t>(i)]) - y_[static_cast<std::size_t>(i)];
  }
  r.head(data()) = whiten_.matrixL().solve(e);
  Index next = data();
  if (options_.ln_beta_spread && options_.fit_beta) {
    r[next++] = std::log(f.beta) / *options_.ln_beta_spread;
  }
  if (options_.d0_guess && options_.fit_d0) {
    r[next++] = (f.d0 - *options_.d0_guess) / options_.d0_spread;
  }
}

void Fitter::jacobian(const VectorXd& p, MatrixXd& J) const {
  const SaturatingForm f = form_of(p);
  MatrixXd G(data(), p.size());
  for (Index i = 0; i < data(); ++i) {
    const auto g = f.derivatives(t_[static_cast<std::size_t>(i)]);
    // d1 = d0 + rise; ln tau and ln beta by the chain rule.
    const double all[slots] = {g[0] + g[1], g[1], g[2] * f.tau, g[3] * f.beta, g[4]};
    for (std::size_t k = 0; k < slots_.size(); ++k) G(i, static_cast<Index>(k)) = all[slots_[k]];
  }
  J.setZero();
  J.topRows(data()) = whiten_.matrixL().solve(G);
  Index next = data();
  const auto mark = [&](std::size_t slot, double value) {
    for (std::size_t k = 0; k < slots_.size(); ++k) {
      if (slots_[k] == slot) J(next, static_cast<Index>(k)) = value;
    }
    ++next;
  };
  if (options_.ln_beta_spread && options_.fit_beta) mark(s_beta, 1 / *options_.ln_beta_spread);
  if (options_.d0_guess && options_.fit_d0) mark(s_d0, 1 / options_.d0_spread);
}

// Wide enough for any bath; they keep the search out of where nothing can be computed.
VectorXd Fitter::bound(double sign) const {
  double first = longest_;
  for (const double t : t_) {
    if (t > 0) first = std::min(first, t);
  }
  const double low[slots] = {lowest_ - 0.5 * span_, 0, std::log(first / 50), std::log(0.25), 0};
  const double high[slots] = {
      lowest_ + span_, 10 * span_, std::log(longest_ * 50), std::log(4.0), 0.9 * longest_};
  VectorXd b(static_cast<Index>(slots_.size()));
  for (std::size_t k = 0; k < slots_.size(); ++k) {
    b[static_cast<Index>(k)] = sign < 0 ? low[slots_[k]] : high[slots_[k]];
  }
  return b;
}

std::vector<VectorXd> Fitter::starts() const {
  std::vector<VectorXd> out;
  std::vector<double> latents{options_.fixed.latent};
  if (options_.fit_latent) {
    // The curve has a kink at the latent time: start from between the steps as well.
    for (std::size_t i = 0; i + 1 < t_.size() && i < 4; ++i) {
      latents.push_back(0.5 * (t_[i] + t_[i + 1]));
    }
  }
  for (const double latent : latents) {
    for (const double tau : {0.05, 0.2, 0.6, 2.0}) {
      SaturatingForm f = options_.fixed;
      f.latent = latent;
      f.tau = tau * longest_;
      if (options_.fit_d0) f.d0 = lowest_;
      f.d1 = f.d0 + span_ * (tau > 1 ? 2.5 : 1.1);
      out.push_back(parameters_of(f));
    }
  }
  return out;
}

SaturatingFit Fitter::run() const {
  LeastSquaresProblem problem;
  problem.count = static_cast<int>(data()) + extras();
  problem.residuals = [this](const VectorXd& p, VectorXd& r) {
    residuals(p, r);
    return true;
  };
  problem.jacobian = [this](const VectorXd& p, MatrixXd& J) { jacobian(p, J); };
  problem.lower = bound(-1);
  problem.upper = bound(+1);
  SaturatingFit fit;
  if (problem.count < static_cast<int>(slots_.size())) {
    fit.end = FitEnd::singular;
    return fit;
  }
  const LeastSquaresFit found = least_squares_from(problem, starts());
  fit.end = found.end;
  fit.form = form_of(found.parameters);
  fit.chi2 = found.residuals.head(data()).squaredNorm();
  fit.degrees_of_freedom = std::max(0, static_cast<int>(data()) - static_cast<int>(slots_.size()));
  if (!found.usable()) return fit;
  // From the solver's parameters to (d0, d1, tau, beta, latent).
  MatrixXd turn = MatrixXd::Zero(5, static_cast<Index>(slots_.size()));
  for (std::size_t k = 0; k < slots_.size(); ++k) {
    const auto c = static_cast<Index>(k);
    if (slots_[k] == s_d0) turn(0, c) = turn(1, c) = 1;
    if (slots_[k] == s_rise) turn(1, c) = 1;
    if (slots_[k] == s_tau) turn(2, c) = fit.form.tau;
    if (slots_[k] == s_beta) turn(3, c) = fit.form.beta;
    if (slots_[k] == s_latent) turn(4, c) = 1;
  }
  fit.unit_covariance = turn * found.unit_covariance * turn.transpose();
  return fit;
}

}  // namespace

double SaturatingForm::at(double minutes) const {
  const double u = minutes - latent;
  if (!(u > 0)) return d0;
  return d0 - (d1 - d0) * std::expm1(-std::pow(u / tau, beta));
}

std::array<double, 5> SaturatingForm::derivatives(double minutes) const {
  const double u = minutes - latent;
  if (!(u > 0)) return {1, 0, 0, 0, 0};
  const double z = std::pow(u / tau, beta);
  const double left = std::exp(-z);
  const double rise = d1 - d0;
  // dD/dz = rise exp(-z); dz/dtau = -beta z / tau; dz/dbeta = z ln(u/tau); dz/dlatent = -beta z /
  // u.
  return {left,
          -std::expm1(-z),
          -rise * left * beta * z / tau,
          rise * left * z * std::log(u / tau),
          -rise * left * beta * z / u};
}

double SaturatingFit::unit_sd(double minutes) const {
  const auto d = form.derivatives(minutes);
  const Eigen::Map<const Eigen::Matrix<double, 5, 1>> g(d.data());
  return std::sqrt(std::max(0.0, g.dot(unit_covariance * g)));
}

SaturatingFit fit_saturating(const std::vector<double>& minutes,
                             const std::vector<double>& density,
                             const Eigen::MatrixXd& covariance,
                             const SaturatingOptions& options) {
  assert(minutes.size() == density.size() && !minutes.empty());
  assert(covariance.rows() == static_cast<Index>(density.size()));
  return Fitter(minutes, density, covariance, options).run();
}

}  // namespace rebite::wedge

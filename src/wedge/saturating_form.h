// The saturating curve D(t) = d0 + (d1 - d0) (1 - exp(-((t - latent)/tau)^beta)) by least squares.
//
// First-order loss of open land gives beta = 1; a ground whose grains differ in size gives beta <
// 1, a slow start beta > 1 (the stretched exponential of Kohlrausch, in the form of Weibull 1951).
#pragma once

#include <Eigen/Core>
#include <array>
#include <optional>
#include <vector>

#include "wedge/least_squares.h"

namespace rebite::wedge {

struct SaturatingForm {
  double d0 = 0, d1 = 1, tau = 1, beta = 1, latent = 0;
  double at(double minutes) const;
  // Derivatives to d0, d1, tau, beta, latent.
  std::array<double, 5> derivatives(double minutes) const;
};

struct SaturatingOptions {
  // Parameters that are fitted; the others keep the value in `fixed`.
  bool fit_d0 = true, fit_beta = true, fit_latent = false;
  SaturatingForm fixed{0, 1, 1, 1, 0};
  // Regularisation where the data do not fix a parameter: pseudo-observations ln(beta) = 0 +- this,
  // and d0 = `d0_guess` +- `d0_spread`. Empty: none.
  std::optional<double> ln_beta_spread;
  std::optional<double> d0_guess;
  double d0_spread = 0.05;
};

struct SaturatingFit {
  SaturatingForm form;
  // Of (d0, d1, tau, beta, latent), with residuals divided by their standard deviations:
  // (J'J)^-1, zero for what was not fitted. Multiply by the scale of the spread.
  Eigen::Matrix<double, 5, 5> unit_covariance = Eigen::Matrix<double, 5, 5>::Zero();
  double chi2 = 0;             // of the data alone, pseudo-observations left out
  int degrees_of_freedom = 0;  // data - fitted parameters, at least 0
  FitEnd end = FitEnd::not_run;
  bool usable() const { return end == FitEnd::converged; }
  // Standard error of the curve at t for unit scale.
  double unit_sd(double minutes) const;
};

// `covariance` of the densities (n x n, positive definite): identity for an unweighted fit.
SaturatingFit fit_saturating(const std::vector<double>& minutes,
                             const std::vector<double>& density,
                             const Eigen::MatrixXd& covariance,
                             const SaturatingOptions&);

}  // namespace rebite::wedge

// Misra1a and BoxBOD of the NIST Statistical Reference Datasets are the tone curve's own form,
// y = b1 (1 - exp(-b2 x)), so the fitter of the tone curve itself runs them: minutes = x, density =
// y.
#include <gtest/gtest.h>

#include "tests/support/outside_data.h"
#include "tests/wedge/nist_sets.h"
#include "wedge/saturating_form.h"

namespace rebite::wedge {
namespace {

class ToneCurveFitter : public ::testing::TestWithParam<const char*> {};

TEST_P(ToneCurveFitter, ReachesTheCertifiedValues) {
  const auto path = maker::outside_data(std::string("nist/") + GetParam() + ".txt");
  REBITE_NEEDS_OUTSIDE_DATA(path);
  const NistSet set = read_nist(path);
  SaturatingOptions options;
  options.fit_d0 = options.fit_beta = false;
  const auto n = static_cast<Eigen::Index>(set.x.size());
  const auto fit = fit_saturating(set.x, set.y, Eigen::MatrixXd::Identity(n, n), options);
  ASSERT_TRUE(fit.usable());
  EXPECT_GE(digits(fit.form.d1, set.certified[0]), 6);
  EXPECT_GE(digits(1 / fit.form.tau, set.certified[1]), 6);
  EXPECT_GE(digits(fit.chi2, set.rss), 6);
  EXPECT_EQ(fit.degrees_of_freedom, set.df);
  // Certified deviations: the spread is s^2 = rss / df; b2 = 1 / tau, so sd(b2) = sd(tau) / tau^2.
  const double s = std::sqrt(fit.chi2 / fit.degrees_of_freedom);
  EXPECT_GE(digits(s * std::sqrt(fit.unit_covariance(1, 1)), set.sd[0]), 4);
  EXPECT_GE(
      digits(s * std::sqrt(fit.unit_covariance(2, 2)) / (fit.form.tau * fit.form.tau), set.sd[1]),
      4);
}

INSTANTIATE_TEST_SUITE_P(StRD, ToneCurveFitter, ::testing::Values("Misra1a", "BoxBOD"));

}  // namespace
}  // namespace rebite::wedge

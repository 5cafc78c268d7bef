// The saturating curve where steps are few or odd: what is held and what is said.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "wedge/fit_curve.h"
#include "wedge/saturating_form.h"

namespace rebite::wedge {
namespace {

using testing::Contains;
using testing::HasSubstr;
using testing::Not;

const SaturatingForm bath{0.05, 1.35, 4, 1, 0};

std::vector<double> tones(const std::vector<double>& minutes, const SaturatingForm& form = bath) {
  std::vector<double> out;
  for (const double t : minutes) out.push_back(form.at(t));
  return out;
}

SaturatingFit fit(const std::vector<double>& minutes,
                  const std::vector<double>& density,
                  const SaturatingOptions& options) {
  const auto n = static_cast<Eigen::Index>(minutes.size());
  return fit_saturating(minutes, density, Eigen::MatrixXd::Identity(n, n) * 1e-4, options);
}

std::vector<WedgeStep> steps(const std::vector<double>& minutes,
                             const std::vector<double>& density,
                             double sd = 0.01) {
  std::vector<WedgeStep> out;
  for (std::size_t i = 0; i < minutes.size(); ++i) {
    WedgeStep s;
    s.time = BiteTime::minutes(minutes[i]);
    s.density = Density::of(density[i]);
    s.sd = sd;
    out.push_back(s);
  }
  return out;
}

TEST(SaturatingEdges, FewerStepsThanParametersAreSingularUnlessTheyAreHeld) {
  const std::vector<double> minutes{1, 4, 12};
  EXPECT_EQ(fit(minutes, tones(minutes), {}).end, FitEnd::singular);
  SaturatingOptions held;
  held.ln_beta_spread = 0.3;
  held.d0_guess = 0.05;
  const auto found = fit(minutes, tones(minutes), held);
  ASSERT_TRUE(found.usable());
  EXPECT_EQ(found.degrees_of_freedom, 0);
  for (const double t : {0.5, 2.0, 8.0}) EXPECT_NEAR(found.form.at(t), bath.at(t), 0.02) << t;
}

// What is given is not fitted: a guess of a tone or a bend that is not asked for changes nothing.
TEST(SaturatingEdges, GuessesOfWhatIsFixedCountNothing) {
  const std::vector<double> minutes{0, 1, 2, 4, 8, 16};
  SaturatingOptions fixed;
  fixed.fit_d0 = fixed.fit_beta = false;
  fixed.fixed.d0 = bath.d0;
  const auto plain = fit(minutes, tones(minutes), fixed);
  fixed.ln_beta_spread = 0.001;
  fixed.d0_guess = 0.9;
  const auto guessed = fit(minutes, tones(minutes), fixed);
  ASSERT_TRUE(plain.usable() && guessed.usable());
  EXPECT_EQ(plain.form.tau, guessed.form.tau);
  EXPECT_NEAR(plain.form.tau, bath.tau, 1e-6);
}

TEST(SaturatingEdges, ALatentTimeIsFoundFromFewStepsToo) {
  SaturatingForm late = bath;
  late.latent = 0.7;
  SaturatingOptions options;
  options.fit_latent = true;
  options.fit_beta = false;
  for (const std::vector<double>& minutes : {std::vector<double>{0, 0.5, 1, 2, 4, 8, 16, 24},
                                             std::vector<double>{0, 1, 4, 12}}) {
    const auto found = fit(minutes, tones(minutes, late), options);
    ASSERT_TRUE(found.usable()) << minutes.size();
    EXPECT_NEAR(found.form.latent, 0.7, 1e-3);
  }
}

TEST(SaturatingEdges, WithoutAnUnbittenStepBareMetalIsAGuessThatIsTold) {
  const std::vector<double> minutes{0.5, 1, 2, 4, 8, 16};
  const auto fitted = fit_curve(steps(minutes, tones(minutes)));
  ASSERT_TRUE(fitted) << fitted.error().what;
  EXPECT_THAT(fitted->summary.notes, Contains(HasSubstr("No unbitten step")));
  EXPECT_GT(fitted->curve.sd_at(BiteTime::minutes(0)), fitted->curve.sd_at(BiteTime::minutes(2)));
  // Darker than paper by nothing at its first step: the guess stays at or above paper.
  auto light = tones(minutes);
  light[0] = -0.004;
  const auto from_paper = fit_curve(steps(minutes, light, 0.05));
  ASSERT_TRUE(from_paper) << from_paper.error().what;
  EXPECT_GT(from_paper->curve.lightest().value(), -0.06);
}

// A late start that the steps' noise could make is not told as one.
TEST(SaturatingEdges, ALateStartIsToldOnlyWhereTheStepsShowIt) {
  SaturatingForm late = bath;
  late.latent = 0.9;
  const std::vector<double> minutes{0, 0.25, 0.5, 0.75, 1, 2, 4, 8, 16};
  const auto sure = fit_curve(steps(minutes, tones(minutes, late)));
  ASSERT_TRUE(sure) << sure.error().what;
  EXPECT_THAT(sure->summary.notes, Contains(HasSubstr("Biting begins late")));
  const auto unsure = fit_curve(steps(minutes, tones(minutes, late), 0.2));
  ASSERT_TRUE(unsure) << unsure.error().what;
  EXPECT_THAT(unsure->summary.notes, Not(Contains(HasSubstr("Biting begins late"))));
}

// The last steps gain nothing: the useful end is where the tone is reached, never before a step that
// already prints as dark, never past the ladder.
TEST(SaturatingEdges, TheUsefulEndOfALadderThatIsFlatNearlyFromTheStart) {
  const std::vector<double> minutes{0, 4, 8, 12, 16};
  const auto fitted = fit_curve(steps(minutes, {0.05, 1.24, 1.31, 1.31, 1.31}));
  ASSERT_TRUE(fitted) << fitted.error().what;
  EXPECT_GT(fitted->curve.useful_until().in_minutes(), 0);
  EXPECT_LE(fitted->curve.useful_until().in_minutes(), 8);
}

// A form that is kept against the steps (nothing is called unfit here) and rises by less than the eye
// sees has no place where the tone is reached: its useful end is the ladder's.
TEST(SaturatingEdges, TheUsefulEndOfAFormThatHardlyRisesIsTheLastStep) {
  const std::vector<double> minutes{0, 4, 8, 12, 15.6, 15.9, 16};
  auto few = steps(minutes, {0.05, 0.05, 0.05, 0.05, 0.05, 0.05, 0.15}, 0.001);
  few.back().sd = 0.03;
  FitOptions all_fits;
  all_fits.lack_of_fit_level = 0;
  const auto fitted = fit_curve(few, all_fits);
  ASSERT_TRUE(fitted) << fitted.error().what;
  EXPECT_EQ(fitted->summary.kind, CurveKind::saturating);
  EXPECT_LT((fitted->curve.darkest() - fitted->curve.lightest()).value(), 0.01);
  EXPECT_EQ(fitted->curve.useful_until(), BiteTime::minutes(16));
}

// No sd told and as many steps as parameters: the scatter tells nothing, a print's usual spread is
// taken.
TEST(SaturatingEdges, WithoutAnySpreadAPrintsUsualOneIsTaken) {
  const std::vector<double> minutes{0, 4, 16};
  const auto few = fit_curve(steps(minutes, tones(minutes), 0));
  ASSERT_TRUE(few) << few.error().what;
  EXPECT_GT(few->curve.sd_at(BiteTime::minutes(4)), 0.01);
}

}  // namespace
}  // namespace rebite::wedge

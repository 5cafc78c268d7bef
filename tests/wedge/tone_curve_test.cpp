// The tone curve's own arithmetic on curves that can be worked out by hand, and the rare branches
// of the tables below it.
#include "wedge/tone_curve.h"

#include <gtest/gtest.h>

#include <cmath>
#include <limits>

#include "wedge/isotonic.h"
#include "wedge/monotone_form.h"
#include "wedge/pchip.h"

namespace rebite::wedge {
namespace {

// A tenth of a density a minute for ten minutes, sd 0.05: PCHIP through a straight line is the line.
ToneCurve straight(double useful_minutes = 10) {
  return {CurveKind::monotone,
          {{0, 5, 10}, {0, 0.5, 1}, {0.05, 0.05, 0.05}},
          {},
          BiteTime::minutes(useful_minutes)};
}
TimeInterval interval(const ToneCurve& curve, double d, double d_sd, double z) {
  const auto found = curve.interval_for(Density::of(d), d_sd, z);
  EXPECT_TRUE(found) << d;
  return found.value_or(TimeInterval{});
}

TEST(ToneCurve, IntervalsOfAStraightLine) {
  // The band is the line shifted by 2 * 0.05 D, which is a minute.
  const auto middle = interval(straight(), 0.5, 0, 2);
  EXPECT_NEAR(middle.low.in_minutes(), 4, 1e-9);
  EXPECT_NEAR(middle.best.in_minutes(), 5, 1e-9);
  EXPECT_NEAR(middle.high.in_minutes(), 6, 1e-9);
  // An uncertain wish: sqrt(0.05^2 + 0.12^2) = 0.13.
  EXPECT_NEAR(interval(straight(), 0.5, 0.12, 2).high.in_minutes(), 7.6, 1e-9);
  // Where the band begins above the wish, nothing need be bitten.
  EXPECT_EQ(interval(straight(), 0.05, 0, 2).low.in_minutes(), 0);
  // The lower edge never gets there: held at the useful end.
  EXPECT_NEAR(interval(straight(), 0.95, 0, 2).high.in_minutes(), 10, 1e-9);
  EXPECT_NEAR(interval(straight(9), 0.85, 0, 2).high.in_minutes(), 9, 1e-9);
  EXPECT_FALSE(straight().interval_for(Density::of(1.2)));
}

TEST(ToneCurve, SlopeIsTenthsAMinuteAndNothingBeyond) {
  for (const double t : {0.0, 2.5, 5.0, 10.0}) {
    EXPECT_NEAR(straight().slope_at(BiteTime::minutes(t)), 0.1, 1e-12) << t;
  }
  EXPECT_EQ(straight().slope_at(BiteTime::minutes(10.1)), 0);
  EXPECT_EQ(straight().slope_at(BiteTime::minutes(-1)), 0);
}

// A tone so near the solid that no land can be told from none: no bite is promised to reach it.
TEST(ToneCurve, NextToTheSolidThereIsNoFreshTone) {
  const Density solid = Density::of(0.2), next = Density::of(std::nextafter(0.2, 0));
  ASSERT_EQ(next.reflectance(), solid.reflectance()) << "else this tests nothing";
  EXPECT_FALSE(fresh_tone_for(Density::of(0.05), next, solid, 1));
  EXPECT_FALSE(fresh_tone_for(next, next, solid, 1));
}

// Worked by Fritsch & Carlson's rules: a flat piece holds both its ends, a turn holds its point.
TEST(FritschCarlson, FlatPiecesAndTurns) {
  using V = std::vector<double>;
  EXPECT_EQ(fritsch_carlson_slopes({0, 1, 2, 3}, {0, 1, 1, 2}), (V{1, 0, 0, 1}));
  EXPECT_EQ(fritsch_carlson_slopes({0, 1, 2}, {0, 3, 2.5}), (V{3, 0, -0.5}));
  EXPECT_EQ(fritsch_carlson_slopes({0, 1, 2}, {0, -0.5, 2.5}), (V{-0.5, 0, 3}));
  // alpha 2, beta 0.5: inside the second triangle (alpha + 2 beta <= 3), so left as it is.
  EXPECT_DOUBLE_EQ(fritsch_carlson_slopes({0, 1, 2, 3}, {0, 3, 4, 4})[1], 2);
}

TEST(Pchip, SlopesOutsideAndAValueNextToNothing) {
  const HermiteCurve c({0, 1, 2}, {0, 1, 2});
  EXPECT_EQ(c.slope_at(-0.1), 0);
  EXPECT_EQ(c.slope_at(2.1), 0);
  EXPECT_EQ(c.slope_at(std::numeric_limits<double>::quiet_NaN()), 0);
  EXPECT_NEAR(c.slope_at(2), 1, 1e-12);
  // Sixty halvings are not enough for it; the answer is still next to nothing.
  EXPECT_LT(c.inverse(1e-300), 1e-17);
}

TEST(Isotonic, ARunWhoseFirstValueIsItsMeanIsPooledToo) {
  const std::vector<double> y{2, 3, 1};
  const auto runs = pooled_runs(y, isotonic(y));
  ASSERT_EQ(runs.size(), 1U);
  EXPECT_EQ(runs[0], std::make_pair(std::size_t{0}, std::size_t{2}));
}

// Steps that begin after nothing: the curve begins at half of the first tone with a wide doubt.
TEST(MonotoneForm, WithoutABareStepTheBeginningIsAGuess) {
  WedgeStep first, second;
  first.time = BiteTime::minutes(1), second.time = BiteTime::minutes(3);
  first.sd = second.sd = 0.01;
  const std::vector<double> rising{0.4, 0.9}, grid{0, 1, 2, 3};
  const double sure = std::numeric_limits<double>::infinity();
  const auto known = monotone_table({first, second}, rising, grid, sure);
  EXPECT_DOUBLE_EQ(known.density[0], 0.2);
  EXPECT_DOUBLE_EQ(known.sd[0], 0.1);
  EXPECT_DOUBLE_EQ(known.density[1], 0.4);
  EXPECT_DOUBLE_EQ(known.sd[1], 0.01);
  // With two degrees of freedom the band is that of Student's t: 2.919986 / 1.644854 (tables).
  const auto few = monotone_table({first, second}, rising, grid, 2);
  EXPECT_NEAR(few.sd[1], 0.01 * 2.919986 / 1.644854, 1e-7);
}

}  // namespace
}  // namespace rebite::wedge

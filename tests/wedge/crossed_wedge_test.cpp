// The overlap rule from a crossed wedge: exact numbers, noisy ones, and a plate bitten twice by the
// plate maker (measured at known places).
#include "wedge/crossed_wedge.h"

#include <gtest/gtest.h>

#include "tests/support/chance.h"
#include "tests/wedge/made_wedge.h"

namespace rebite::wedge {
namespace {

constexpr double film = 0.04;
const Density solid = Density::of(1.55);
const std::vector<double> first_minutes{0, 0.5, 1, 2, 4};
const std::vector<double> second_minutes{0, 0.5, 1, 2};

ToneCurve curve_of(const maker::TrueCurve& truth) {
  ToneCurve::Table t;
  for (double m = 0; m <= 30; m += 0.25) {
    t.minutes.push_back(m);
    t.density.push_back(truth.density(m));
    t.sd.push_back(0.01);
  }
  return {CurveKind::monotone, t, {}, BiteTime::minutes(30)};
}

CrossedGrid simulated(double q, double noise, std::uint64_t seed, bool with_zeros) {
  const maker::TrueCurve truth;
  maker::Chance chance(seed);
  CrossedGrid g;
  for (const double m : first_minutes) {
    if (m > 0 || with_zeros) g.first.push_back(BiteTime::minutes(m));
  }
  for (const double m : second_minutes) {
    if (m > 0 || with_zeros) g.second.push_back(BiteTime::minutes(m));
  }
  for (const BiteTime a : g.first) {
    g.density.emplace_back();
    for (const BiteTime b : g.second) {
      const Density d = overlaid(Density::of(truth.density(a.in_minutes())),
                                 Density::of(truth.density(b.in_minutes())),
                                 solid,
                                 q,
                                 Density::of(film));
      g.density.back().push_back({d + ToneGap::of(noise * chance.normal()), std::max(noise, 1e-4)});
    }
  }
  return g;
}

TEST(CrossedWedge, ExactNumbersGiveTheirOverlap) {
  const ToneCurve curve = curve_of({});
  for (const double q : {0.6, 1.0, 1.3}) {
    for (const bool zeros : {true, false}) {
      const auto rule = fit_overlap(simulated(q, 0, 1, zeros), curve, solid);
      ASSERT_TRUE(rule) << rule.error().what;
      EXPECT_NEAR(rule->q, q, 1e-6) << (zeros ? "own zero strips" : "curve");
      EXPECT_TRUE(rule->measured);
    }
  }
}

TEST(CrossedWedge, TheSpreadIsTrue) {
  const ToneCurve curve = curve_of({});
  int inside = 0;
  for (std::uint64_t seed = 1; seed <= 200; ++seed) {
    const auto rule = fit_overlap(simulated(0.85, 0.015, seed, true), curve, solid);
    ASSERT_TRUE(rule) << "seed " << seed;
    inside += std::fabs(rule->q - 0.85) <= ToneCurve::z90 * rule->sd;
  }
  RecordProperty("inside_of_200", inside);
  EXPECT_GT(inside, 160);  // 90 % interval; 200 seeds
}

TEST(CrossedWedge, RefusesAGridThatTellsNothing) {
  const ToneCurve curve = curve_of({});
  CrossedGrid g = simulated(1, 0, 1, true);
  g.density.pop_back();
  const auto shape = fit_overlap(g, curve, solid);
  ASSERT_FALSE(shape);
  EXPECT_NE(shape.error().what.find("5 by 4"), std::string::npos) << shape.error().what;
  EXPECT_FALSE(
      fit_overlap({{BiteTime::minutes(0)}, {BiteTime::minutes(0)}, {{{Density::of(0.04), 0.01}}}},
                  curve,
                  solid));
}

// 5 by 4 strips of 9 mm, two grounds that fall independently, the second entering with q 0.8.
TEST(CrossedWedge, PlateMakerPlateBittenTwice) {
  constexpr double strip = 9, border = 6, q = 0.8;
  maker::Plate plate;
  plate.size = {2 * border + strip * 5, 2 * border + strip * 4};
  plate.overlap_q = q;
  const auto px = [](double mm) { return static_cast<int>(std::lround(mm * 10)); };
  const cv::Mat1f none(px(plate.size.height), px(plate.size.width), 0.F);
  maker::Bite first, second;
  first.minutes = none.clone();
  second.minutes = none.clone();
  second.ground_seed = 99;
  for (int i = 0; i < 5; ++i) {
    first.minutes(cv::Rect(px(border + i * strip), px(border), px(strip), px(4 * strip))) =
        static_cast<float>(first_minutes[static_cast<std::size_t>(i)]);
  }
  for (int j = 0; j < 4; ++j) {
    second.minutes(cv::Rect(px(border), px(border + j * strip), px(5 * strip), px(strip))) =
        static_cast<float>(second_minutes[static_cast<std::size_t>(j)]);
  }
  plate.bites = {first, second};
  maker::Impression sheet;
  sheet.wiping_density = 0.004;
  maker::Scanner scanner;
  scanner.channels = 1;
  const auto made = maker::print_proof(plate, sheet, scanner);
  const auto image = through_a_file(made);
  CrossedGrid g;
  for (const double m : second_minutes) g.second.push_back(BiteTime::minutes(m));
  for (int i = 0; i < 5; ++i) {
    g.first.push_back(BiteTime::minutes(first_minutes[static_cast<std::size_t>(i)]));
    g.density.emplace_back();
    for (int j = 0; j < 4; ++j) {
      const auto p = made.px_from_plate({border + (i + 0.5) * strip, border + (j + 0.5) * strip});
      const auto patch =
          scan::mean_tone(image.relative, {cvRound(p.x) - 35, cvRound(p.y) - 35, 71, 71});
      g.density.back().push_back({patch.density, std::hypot(patch.sd_of_mean, 0.006)});
    }
  }
  const auto rule = fit_overlap(g, curve_of(plate.curve), Density::of(plate.curve.solid));
  ASSERT_TRUE(rule) << rule.error().what;
  EXPECT_NEAR(rule->q, q, 0.08) << "sd " << rule->sd;
  EXPECT_LT(std::fabs(rule->q - q), 3 * rule->sd);
}

}  // namespace
}  // namespace rebite::wedge

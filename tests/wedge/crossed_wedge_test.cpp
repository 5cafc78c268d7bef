// The overlap rule from a crossed wedge: exact numbers, noisy ones, and scans of a plate bitten
// twice by the plate maker.
#include <gtest/gtest.h>

#include "tests/support/chance.h"
#include "tests/support/crossed_plate.h"
#include "tests/wedge/made_wedge.h"
#include "wedge/read_crossed.h"

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

struct CrossedCase {
  std::string name;
  double turn_deg = 0;
  double q = 1;
  std::vector<double> first{0, 0.5, 1, 2, 4}, second{0, 0.5, 1, 2};
  double border_mm = 6;
};
void PrintTo(const CrossedCase& c, std::ostream* out) { *out << c.name; }

class CrossedScan : public ::testing::TestWithParam<CrossedCase> {};

// Found on the print of a plate bitten twice, grain by grain; the truth within three standard
// deviations (tests/measure/wedge.cpp: how often within the 90 % interval).
TEST_P(CrossedScan, GivesTheTruthWithinItsSpread) {
  const CrossedCase c = GetParam();
  maker::CrossedSpec spec;
  spec.first = c.first;
  spec.second = c.second;
  spec.overlap_q = c.q;
  spec.border_mm = c.border_mm;
  maker::Impression sheet;
  sheet.wiping_density = 0.01;
  maker::Scanner scanner;
  scanner.channels = 1;
  scanner.dpi = 200;
  scanner.turn_deg = c.turn_deg;
  const auto image = through_a_file(maker::print_crossed(spec, sheet, scanner));
  const auto found = measure_overlap({image},
                                     {minutes_list(c.first), minutes_list(c.second)},
                                     curve_of(spec.curve),
                                     Density::of(spec.curve.solid),
                                     0.01);
  ASSERT_TRUE(found) << found.error().what;
  EXPECT_TRUE(found->rule.measured);
  EXPECT_NEAR(found->rule.q, c.q, 3 * found->rule.sd);
  EXPECT_LT(found->rule.sd, 0.12);
  ASSERT_FALSE(found->notes.empty());
  EXPECT_NE(found->notes[0].find("crossed wedge of"), std::string::npos);
  // A second ground that bites otherwise by itself shows on the strips of it alone.
  if (c.q == 1) {
    EXPECT_EQ(found->notes.size(), 1U);
  }
  for (std::size_t k = 1; k < found->notes.size(); ++k) {
    EXPECT_NE(found->notes[k].find("the second ground only print"), std::string::npos);
  }
}

INSTANTIATE_TEST_SUITE_P(
    PlateMaker,
    CrossedScan,
    ::testing::Values(CrossedCase{"upright", 0, 0.8},
                      CrossedCase{"turned", 33, 1.25},
                      CrossedCase{"on_its_side_and_upside_down", 268, 0.7},
                      CrossedCase{"other_way_round", 3, 0.8, {4, 2, 1, 0.5, 0}, {2, 1, 0.5, 0}},
                      // As many strips each way: the lone strips tell which ground is which.
                      CrossedCase{"square", 91, 0.6, {0, 0.5, 1, 2, 4}, {0, 0.5, 1, 2, 4}},
                      CrossedCase{"no_unbitten_strip", -2, 0.9, {0.5, 1, 2, 4}, {0.5, 1, 2}},
                      CrossedCase{"to_the_edge", 1, 1.0, {0, 0.5, 1, 2, 4}, {0, 0.5, 1, 2}, 0}),
    [](const auto& test) { return test.param.name; });

// At about 45 degrees the picture is square, and was turned over under the search: 10 of 120 crossed
// wedges were refused as showing 5 by 5 strips.
TEST(CrossedScan45, ASquarePictureIsReadToo) {
  maker::Scanner scanner;
  scanner.channels = 1;
  scanner.dpi = 120;
  scanner.turn_deg = 45;
  const auto image = through_a_file(maker::print_crossed({}, {}, scanner));
  ASSERT_EQ(image.relative.rows, image.relative.cols);
  const auto read = read_crossed(
      image, {minutes_list({0, 0.5, 1, 2, 4}), minutes_list({0, 0.5, 1, 2})});
  EXPECT_TRUE(read) << read.error().what;
}

// Times of another ladder, or another bath: strips bitten once do not follow the wedge's curve.
TEST(CrossedScanNotes, StripsBittenOnceAreHeldAgainstTheCurve) {
  maker::Scanner scanner;
  scanner.channels = 1;
  scanner.dpi = 150;
  const maker::CrossedSpec spec;
  maker::Impression sheet;
  sheet.wiping_density = 0.01;
  const auto image = through_a_file(maker::print_crossed(spec, sheet, scanner));
  const auto notes = [&](const CrossedTimes& times) {
    const auto found = measure_overlap(
        {image}, times, curve_of(spec.curve), Density::of(spec.curve.solid), 0.01);
    EXPECT_TRUE(found) << found.error().what;
    std::string text;
    if (found) {
      for (const auto& n : found->notes) text += n + "\n";
    }
    return text;
  };
  const auto first = minutes_list(spec.first), second = minutes_list(spec.second);
  const auto twice = [](std::vector<double> minutes) {
    for (double& m : minutes) m *= 2;
    return minutes_list(minutes);
  };
  EXPECT_EQ(notes({first, second}).find("ground only print"), std::string::npos);
  EXPECT_NE(notes({twice(spec.first), second}).find("the first ground only print"),
            std::string::npos);
  EXPECT_NE(notes({first, twice(spec.second)}).find("the second ground only print"),
            std::string::npos);
}

TEST(CrossedScanRefused, NumbersOrderAndPictures) {
  maker::Scanner scanner;
  scanner.channels = 1;
  scanner.dpi = 150;
  const auto image = through_a_file(maker::print_crossed({}, {}, scanner));
  const auto first = minutes_list({0, 0.5, 1, 2, 4}), second = minutes_list({0, 0.5, 1, 2});
  const auto refused = [](const scan::DensityImage& scan, const CrossedTimes& times) {
    const auto r = read_crossed(scan, times);
    EXPECT_FALSE(r);
    return r ? "" : r.error().what;
  };
  EXPECT_TRUE(read_crossed(image, {first, second}));
  EXPECT_NE(refused(image, {first, minutes_list({0, 0.5, 1, 2, 4})}).find("5 by 5 times"),
            std::string::npos);
  EXPECT_NE(refused(image, {minutes_list({0, 0.5, 1, 2}), second}).find("shows 5 by 4"),
            std::string::npos);
  EXPECT_NE(refused(image, {minutes_list({0, 2, 1, 0.5, 4}), second}).find("out of order"),
            std::string::npos);
  EXPECT_NE(refused(image, {minutes_list({0, 1, 1, 2, 4}), second}).find("same total time"),
            std::string::npos);
  const maker::Scene scene = maker::make_scene(5, {90, 70});
  EXPECT_NE(refused(through_a_file(maker::print_proof(scene.plate, {}, scanner)), {first, second})
                .find("no crossed wedge"),
            std::string::npos);
  // A plain wedge is no crossed one.
  maker::WedgeSpec plain;
  plain.minutes = {0, 0.5, 1, 2, 4};
  EXPECT_NE(refused(through_a_file(maker::print_wedge(plain, {}, scanner)), {first, second})
                .find("no crossed wedge"),
            std::string::npos);
}

}  // namespace
}  // namespace rebite::wedge

// Finding the steps on scans that the plate maker prints, turned, flipped, pale, in two rows; and
// refusing what is no wedge.
#include <gtest/gtest.h>

#include <opencv2/core.hpp>

#include "tests/wedge/made_wedge.h"
#include "tests/wedge/random_wedge.h"
#include "wedge/make_batch.h"
#include "wedge/step_grid.h"

namespace rebite::wedge {
namespace {

const std::vector<double> ladder{0, 0.25, 0.5, 1, 2, 4, 8, 16, 30};

struct WedgeCase {
  std::string name;
  double turn_deg = 0;
  bool reversed = false;
  double dmax = 1.42;
  double gap_mm = 0;
  double dpi = 300;
};
void PrintTo(const WedgeCase& c, std::ostream* out) { *out << c.name; }

class FindSteps : public ::testing::TestWithParam<WedgeCase> {};

TEST_P(FindSteps, DensitiesAreThePrintedOnes) {
  const WedgeCase c = GetParam();
  maker::WedgeSpec spec;
  spec.minutes = ladder;
  if (c.reversed) std::reverse(spec.minutes.begin(), spec.minutes.end());
  spec.curve.d1 = c.dmax;
  spec.gap_mm = c.gap_mm;
  const maker::Impression impression;  // wiped as proofs are
  maker::Scanner scanner;
  scanner.channels = 1;
  scanner.turn_deg = c.turn_deg;
  scanner.dpi = c.dpi;
  const maker::MadeScan made = maker::print_wedge(spec, impression, scanner);
  const auto steps = read_made(made, ladder);
  ASSERT_TRUE(steps) << steps.error().what;
  ASSERT_EQ(steps->size(), ladder.size());
  // Against what the sheet shows there, wiping included; the wiping itself is the curve's concern.
  const std::vector<double> shown = shown_densities(spec, made);
  double sum = 0;
  for (std::size_t i = 0; i < shown.size(); ++i) {
    const auto at = std::find_if(steps->begin(), steps->end(), [&](const WedgeStep& s) {
      return s.time == BiteTime::minutes(spec.minutes[i]);
    });
    sum += std::pow(at->density.value() - shown[i], 2);
  }
  EXPECT_LT(std::sqrt(sum / static_cast<double>(steps->size())), 0.010) << "D rms";
}

INSTANTIATE_TEST_SUITE_P(PlateMaker,
                         FindSteps,
                         ::testing::Values(WedgeCase{"plain"},
                                           WedgeCase{"turned_37", 37},
                                           WedgeCase{"turned_92", 92},
                                           WedgeCase{"turned_181", 181},
                                           WedgeCase{"other_way_round", 1, true},
                                           WedgeCase{"pale", 2, false, 0.9},
                                           WedgeCase{"set_apart", -1, false, 1.42, 3},
                                           WedgeCase{"coarse_scan", 3, false, 1.42, 0, 150}),
                         [](const auto& test) { return test.param.name; });

// Of two rows the lighter one may be about half as dark as the other, so that the dark part of the
// picture cuts through it.
TEST(FindSteps, TheLighterOfTwoRowsMayBeHalfAsDark) {
  maker::WedgeSpec spec;
  spec.minutes = {0, 0.25, 0.46, 0.83, 1.52, 2.76, 5.02, 9.12, 16.6, 30.2};
  spec.rows = 2;
  spec.step = {10, 14};
  spec.border_mm = 4;
  spec.curve.d0 = 0.03;
  spec.curve.d1 = 0.9;
  spec.curve.beta = 1.07;
  maker::Scanner scanner;
  scanner.channels = 1;
  scanner.dpi = 150;
  maker::Impression sheet;
  sheet.margin_mm = 10;
  int k = 0;
  for (const double tau : {2.0, 2.3, 2.6, 2.9, 3.2}) {  // the fifth step prints D 0.50 to 0.33
    spec.curve.tau = tau;
    sheet.seed = static_cast<std::uint64_t>(++k);
    const maker::MadeScan made = maker::print_wedge(spec, sheet, scanner);
    const auto steps = read_made(made, spec.minutes);
    ASSERT_TRUE(steps) << "tau " << tau << ": " << steps.error().what;
    const std::vector<double> shown = shown_densities(spec, made);
    for (std::size_t i = 0; i < shown.size(); ++i) {
      EXPECT_NEAR((*steps)[i].density.value(), shown[i], 0.03) << "tau " << tau << ", step " << i;
    }
  }
}

// Full ink is what lies between the last specks of land, not the step's mean, nor a pixel that holds
// a speck: it was read 0.1 D too light.
TEST(FindSteps, FullInkIsReadBetweenTheSpecksOfLand) {
  for (const double dpi : {120.0, 300.0}) {
    maker::WedgeSpec spec;
    spec.minutes = ladder;
    spec.curve.d1 = 1.40;
    spec.curve.solid = 1.52;
    maker::Impression sheet;
    sheet.wiping_density = 0;
    maker::Scanner scanner;
    scanner.channels = 1;
    scanner.dpi = dpi;
    const auto image = through_a_file(maker::print_wedge(spec, sheet, scanner));
    FindOptions options;
    options.steps = static_cast<int>(ladder.size());
    options.unbitten = true;
    const auto found = find_steps(image, options);
    ASSERT_TRUE(found) << found.error().what;
    const auto batch = make_batch({*found}, minutes_list(ladder), {});
    ASSERT_TRUE(batch) << batch.error().what;
    EXPECT_NEAR(batch->solid.value(), spec.curve.solid, 0.05) << dpi << " dpi";
  }
}

// Two wedges on one plate are found only where a window says which.
TEST(FindSteps, AWindowSaysWhichOfTwoWedges) {
  maker::WedgeSpec spec;
  spec.minutes = {0, 0.5, 1, 2, 4, 8};
  spec.step = {11, 16};
  maker::Plate plate = maker::wedge_plate(spec);
  cv::Mat1f& minutes = plate.bites.front().minutes;
  const double height = plate.size.height;
  cv::Mat1f two(2 * minutes.rows, minutes.cols, 0.F);
  minutes.copyTo(two(cv::Rect(0, 0, minutes.cols, minutes.rows)));
  cv::flip(minutes, minutes, 1);
  minutes *= 0.5F;  // the lower one was bitten half as long, the other way round
  minutes.copyTo(two(cv::Rect(0, minutes.rows, minutes.cols, minutes.rows)));
  minutes = two;
  plate.size.height *= 2;
  maker::Scanner scanner;
  scanner.channels = 1;
  scanner.dpi = 150;
  const maker::Impression sheet;
  const auto made = maker::print_proof(plate, sheet, scanner);
  std::vector<double> halves;
  for (const double m : spec.minutes) halves.push_back(m / 2);
  for (const bool lower : {false, true}) {
    const double top = sheet.margin_mm + (lower ? height : 0);
    const cv::Rect2d window(sheet.margin_mm, top, plate.size.width, height);
    const auto steps = read_made(made, lower ? halves : spec.minutes, nullptr, window);
    ASSERT_TRUE(steps) << steps.error().what;
    for (const WedgeStep& s : *steps) {
      EXPECT_NEAR(s.density.value(), plate.curve.density(s.time.in_minutes()), 0.06);
    }
  }
  const auto outside = read_made(made, spec.minutes, nullptr, cv::Rect2d(500, 500, 20, 20));
  ASSERT_FALSE(outside);
  EXPECT_EQ(outside.error().kind, ProblemKind::data);
}

// Dust falls in clumps, sprayed dots run together: then a step is as uneven as one of grains of
// 0.3 to 0.6 mm. It was refused, or the dark half of a ladder was read as the whole, each step cut
// in two.
TEST(FindSteps, CoarseAndClumpedGrainIsReadStepForStep) {
  for (const double grain_mm : {0.2, 0.3, 0.45, 0.6}) {
    for (const std::uint64_t seed : {1U, 2U, 3U}) {
      maker::WedgeSpec spec;
      spec.minutes = {0.5, 0.85, 1.45, 2.4, 4.1, 7, 12, 20};
      spec.step = {8.0 + 2 * static_cast<double>(seed), 16};
      spec.curve.tau = 6;
      spec.grain_mm = grain_mm;
      spec.ground_seed = seed;
      maker::Scanner scanner;
      scanner.channels = 1;
      scanner.turn_deg = 90.0 * static_cast<double>(seed) - 2;
      const maker::MadeScan made = maker::print_wedge(spec, {}, scanner);
      const auto steps = read_made(made, spec.minutes);
      ASSERT_TRUE(steps) << "grains of " << grain_mm << " mm, seed " << seed << ": "
                         << steps.error().what;
      const std::vector<double> shown = shown_densities(spec, made);
      for (std::size_t i = 0; i < shown.size(); ++i) {
        EXPECT_NEAR((*steps)[i].density.value(), shown[i], 0.08)
            << "step " << i << ", grains of " << grain_mm << " mm, seed " << seed;
      }
    }
  }
}

// A few of the 240 that measure_wedge found counts: odd and even numbers in one and two rows, a
// step that prints like unbitten metal, metal that prints like paper, equal darks.
TEST(FindSteps, RandomWedgesAreReadStepForStep) {
  for (const std::uint64_t seed : {4U, 16U, 32U, 76U}) {
    const RandomWedge w = random_wedge(seed);
    const maker::MadeScan made = print_random(w);
    const auto steps = read_made(made, w.spec.minutes);
    ASSERT_TRUE(steps) << seed << ": " << steps.error().what;
    const std::vector<double> shown = shown_densities(w.spec, made);
    for (std::size_t i = 0; i < shown.size(); ++i) {
      const auto at = std::find_if(steps->begin(), steps->end(), [&](const WedgeStep& s) {
        return s.time == BiteTime::minutes(w.spec.minutes[i]);
      });
      ASSERT_NE(at, steps->end());
      EXPECT_NEAR(at->density.value(), shown[i], 0.03) << "wedge " << seed << ", step " << i;
    }
  }
}

TEST(FindSteps, AnotherNumberOfTimesIsRefusedAndBothNumbersTold) {
  maker::WedgeSpec spec;
  spec.minutes = ladder;
  maker::Scanner scanner;
  scanner.channels = 1;
  scanner.dpi = 150;
  const scan::DensityImage image = through_a_file(maker::print_wedge(spec, {}, scanner));
  for (const int given : {4, 5, 18}) {
    FindOptions options;
    options.steps = given;
    options.unbitten = true;
    const auto found = find_steps(image, options);
    ASSERT_FALSE(found) << given;
    EXPECT_EQ(found.error().kind, ProblemKind::data);
    EXPECT_NE(found.error().what.find(std::to_string(given) + " times"), std::string::npos);
    // The unbitten step may or may not be counted.
    EXPECT_TRUE(found.error().what.find("shows 9 steps") != std::string::npos ||
                found.error().what.find("shows 8 steps") != std::string::npos)
        << found.error().what;
  }
}

// Three steps of which the lightest does not show: half of the dark one fits as well as the whole.
TEST(FindSteps, OneDarkStepIsNotCutInTwo) {
  for (const std::uint64_t seed : {311U, 344U, 351U}) {
    const RandomWedge w = random_wedge(seed);
    const maker::MadeScan made = maker::print_wedge(w.spec, w.sheet, w.scanner);
    const auto steps = read_made(made, w.spec.minutes);
    if (seed == 351U) {  // here the borders tell
      ASSERT_TRUE(steps) << steps.error().what;
      std::vector<double> shown = shown_densities(w.spec, made);
      std::sort(shown.begin(), shown.end());
      for (std::size_t i = 0; i < shown.size(); ++i) {
        EXPECT_NEAR((*steps)[i].density.value(), shown[i], 0.03) << "step " << i;
      }
      continue;
    }
    ASSERT_FALSE(steps) << "wedge " << seed;
    EXPECT_EQ(steps.error().kind, ProblemKind::data);
    EXPECT_NE(steps.error().what.find("too few borders between the 3 steps show"), std::string::npos)
        << steps.error().what;
  }
}

// The window holds a part of the wedge only: its three or four steps were cut into nine, of which
// every third border showed. Touching and apart, either way round, dark end and light end cut off.
TEST(FindSteps, APartOfAWedgeIsNotReadAsTheWhole) {
  for (const double gap : {0.0, 2.0}) {
    for (const bool reversed : {false, true}) {
      maker::WedgeSpec spec;
      spec.minutes = ladder;
      spec.step = {13, 20};
      spec.gap_mm = gap;
      if (reversed) std::reverse(spec.minutes.begin(), spec.minutes.end());
      maker::Scanner scanner;
      scanner.channels = 1;
      scanner.dpi = 150;
      const auto made = maker::print_wedge(spec, {}, scanner);
      const auto mm = [&](double x, double y) { return made.px_from_plate({x, y}) * (25.4 / 150); };
      const double length = 6 + 9 * 13 + 8 * gap;
      for (const double share : {0.35, 0.45, 0.55, 0.65, 0.75}) {
        for (const bool far_end : {false, true}) {
          const cv::Point2d from = mm(far_end ? (1 - share) * length : 1, 3);
          const cv::Point2d to = mm(far_end ? length + 5 : share * length, 29);
          const auto steps = read_made(made, ladder, nullptr, cv::Rect2d(from, to));
          ASSERT_FALSE(steps) << "gap " << gap << (reversed ? ", reversed, " : ", ") << share
                              << (far_end ? " from the far end" : "");
          EXPECT_FALSE(steps.error().next.empty());
        }
      }
    }
  }
}

// Levels of cells that were cut out of wider steps, as found on prints; and of true ladders: small even
// strides under wiping, a steep one, one that saturates.
TEST(GridBorders, CellsCutOutOfStepsAreKnownByTheirBorders) {
  const auto every = [](std::vector<double> level) {
    StepGrid g;
    g.columns = static_cast<int>(level.size());
    g.level = std::move(level);
    return borders_of(g);
  };
  // Three steps and a bit, each cut in three, the first of them past the window's edge.
  const GridBorders thirds =
      every({0.150, 0.241, 0.247, 0.252, 0.383, 0.379, 0.365, 0.580, 0.564});
  EXPECT_EQ(thirds.every, 3);
  EXPECT_EQ(thirds.steps, 4);
  // Eight steps, each cut in two; coarse grain in the darks.
  const GridBorders halves = every({0.149, 0.151, 0.229, 0.230, 0.356, 0.361, 0.554, 0.542,
                                    0.780, 0.803, 1.035, 1.039, 1.203, 1.267, 1.290, 1.324});
  EXPECT_EQ(halves.every, 2);
  EXPECT_EQ(halves.steps, 8);
  // Two steps cut in four past a cell that is not told from metal: one border, and one of grain.
  StepGrid two;
  two.level = {0.033, 0.710, 0.701, 0.684, 0.714, 0.972, 0.985, 1.008, 0.959};
  two.columns = 9;
  two.unseen_before = 1;
  EXPECT_EQ(borders_of(two).every, 4);
  EXPECT_EQ(every({0.045, 0.151, 0.248, 0.378, 0.570, 0.867, 1.209, 1.440, 1.509}).every, 1);
  EXPECT_EQ(every({0.05, 0.62, 0.71, 0.75, 0.76}).every, 1);
  EXPECT_EQ(every({0.05, 0.09, 0.10, 0.15, 0.16, 0.20, 0.24, 0.26, 0.30, 0.33, 0.37}).every, 1);
  EXPECT_EQ(every({0.04, 0.30, 0.65, 0.95, 1.18, 1.29, 1.33, 1.34, 1.34, 1.35}).every, 1);
}

TEST(FindSteps, WhatIsNoWedgeIsRefused) {
  const maker::Scene scene = maker::make_scene(5, {90, 70});
  maker::Scanner scanner;
  scanner.channels = 1;
  const auto proof = read_made(maker::print_proof(scene.plate, {}, scanner), ladder);
  ASSERT_FALSE(proof);
  EXPECT_EQ(proof.error().kind, ProblemKind::data);
  EXPECT_FALSE(proof.error().next.empty());
  maker::Plate blank;
  blank.size = {90, 40};
  EXPECT_FALSE(read_made(maker::print_proof(blank, {}, scanner), ladder));
}

}  // namespace
}  // namespace rebite::wedge

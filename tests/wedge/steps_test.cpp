// Finding the steps on scans that the plate maker prints, turned, flipped, pale, in two rows; and
// refusing what is no wedge.
#include <gtest/gtest.h>

#include "tests/wedge/made_wedge.h"
#include "tests/wedge/random_wedge.h"

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

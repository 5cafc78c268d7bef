// Finding the steps on scans that the plate maker prints, turned, flipped, pale, in two rows; and
// refusing what is no wedge.
#include <gtest/gtest.h>

#include "tests/wedge/made_wedge.h"

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
  maker::Impression impression;
  impression.wiping_density = 0.005;
  maker::Scanner scanner;
  scanner.channels = 1;
  scanner.turn_deg = c.turn_deg;
  scanner.dpi = c.dpi;
  const auto steps = read_made(maker::print_wedge(spec, impression, scanner), ladder);
  ASSERT_TRUE(steps) << steps.error().what;
  ASSERT_EQ(steps->size(), ladder.size());
  double sum = 0;
  for (const auto& s : *steps) {
    const double off = s.density.value() - spec.curve.density(s.time.in_minutes());
    sum += off * off;
  }
  EXPECT_LT(std::sqrt(sum / static_cast<double>(steps->size())), 0.015) << "D rms";
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

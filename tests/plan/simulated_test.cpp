// Minutes against a known truth (a seeded part of tests/measure/plan.cpp, which prints the table).
#include <gtest/gtest.h>

#include "tests/plan/simulate.h"

namespace rebite::plan {
namespace {

MinutesScore score_of(const SimulationKind& kind, double risk, int seeds) {
  MinutesScore score;
  for (int s = 1; s <= seeds; ++s) {
    auto plate = simulate(static_cast<std::uint64_t>(s) * 104729, kind);
    if (!plate) continue;
    plate->options.risk = risk;
    const auto plan = plan_bites(plate->seen(), &plate->batch, plate->options);
    EXPECT_TRUE(plan);
    if (plan) score.add(*plate, *plan);
  }
  EXPECT_GT(score.bites, 5 * seeds);
  return score;
}

// Issue 5: rms below 0.25 in log2; the 90 % interval covers 85-95 %; overshoot within 3 points of
// the stated risk at most. The interval is held to its range where every doubt that the model
// admits is at work; where the overlap is exactly the assumed rule it is wider than need be.
TEST(Simulated, MinutesOfCommonPlates) {
  const MinutesScore kept = score_of({.ground = Ground::kept}, 0.2, 120);
  EXPECT_LT(kept.rms_log2(), 0.25);
  EXPECT_GT(kept.rms_log2(), 0.05);  // readings of 0.01-0.02 D cannot tell minutes better than that
  EXPECT_GT(kept.coverage(), 0.85);
  EXPECT_LT(kept.coverage(), 0.95);
  EXPECT_LT(kept.overshoot(), 0.23);
  const MinutesScore fresh = score_of({.ground = Ground::fresh}, 0.2, 120);
  EXPECT_LT(fresh.rms_log2(), 0.25);
  EXPECT_GT(fresh.rms_log2(), 0.05);
  EXPECT_GT(fresh.coverage(), 0.85);
  EXPECT_LT(fresh.overshoot(), 0.23);
  const MinutesScore strays =
      score_of({.ground = Ground::fresh, .overlap_uncertain = true}, 0.2, 120);
  EXPECT_GT(strays.rms_log2(), 1.3 * fresh.rms_log2());  // what no wedge but a crossed one tells
  EXPECT_LT(strays.rms_log2(), 0.4);
  EXPECT_GT(strays.coverage(), 0.85);
  EXPECT_LT(strays.coverage(), 0.95);
  EXPECT_LT(strays.overshoot(), 0.23);
}

TEST(Simulated, MinutesWithEveryDoubtAtWork) {
  SimulationKind all;
  all.overlap_uncertain = all.temperature = all.speed = true;
  for (const double risk : {0.05, 0.2}) {
    const MinutesScore score = score_of(all, risk, 150);
    EXPECT_GT(score.coverage(), 0.85);
    EXPECT_LT(score.coverage(), 0.95);
    EXPECT_LT(score.overshoot(), risk + 0.03);
    EXPECT_GT(score.advised_share / score.bites, 0.8);  // not bought by biting far too little
  }
}

}  // namespace
}  // namespace rebite::plan

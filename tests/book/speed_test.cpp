// The statistics of the batch's speed.
#include "book/speed.h"

#include <gmock/gmock.h>

#include <cmath>

#include "plan/minutes.h"
#include "tests/book/books.h"
#include "tests/book/drifting.h"

namespace rebite::book {
namespace {

// Annual flow of the Nile at Aswan 1871-1970 (Cobb 1978; R's data set Nile).
constexpr double nile[] = {
    1120, 1160, 963, 1210, 1160, 1160, 813,  1230, 1370, 1140, 995,  935,  1110, 994,  1020,
    960,  1180, 799, 958,  1140, 1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774,  840,
    874,  694,  940, 833,  701,  916,  692,  1020, 1050, 969,  831,  726,  456,  824,  702,
    1120, 1100, 832, 764,  821,  768,  845,  864,  862,  698,  845,  744,  796,  1040, 759,
    781,  865,  845, 944,  984,  897,  822,  1010, 771,  676,  649,  846,  812,  742,  801,
    1040, 860,  874, 848,  890,  744,  749,  838,  1050, 918,  986,  797,  923,  975,  815,
    1020, 906,  901, 1170, 912,  746,  919,  718,  714,  740};

struct NileRun {
  double log_likelihood = 0;
  Level level;
};
NileRun run_nile(double observation, double step) {
  // Approximately diffuse start as in the paper: a_1 = 0, P_1 = 10^6; the first observation is not
  // counted.
  NileRun run{0, {0, 1e6}};
  bool first = true;
  for (const double y : nile) {
    const auto v = run.level.update(y, observation, std::numeric_limits<double>::infinity());
    if (!first) {
      run.log_likelihood -=
          0.5 * (std::log(2 * M_PI * v.variance) + v.value * v.value / v.variance);
    }
    first = false;
    run.level.step(step);
  }
  return run;
}

// Published: C. Fulton, "Estimating time series models by state space methods in Python:
// Statsmodels" (2015), local level model of the Nile at the variances of Durbin & Koopman 2012
// (15099, 1469.1): log-likelihood -632.537695048, and -687.5456216 at (10000, 1).
TEST(SpeedFilter, ReproducesThePublishedLikelihoodOfTheNile) {
  EXPECT_NEAR(run_nile(15099, 1469.1).log_likelihood, -632.537695048, 5e-6);
  EXPECT_NEAR(run_nile(10000, 1).log_likelihood, -687.5456216, 1e-4);
}

// Durbin & Koopman 2012, chapter 2 (both figures from memory): forecast of the level after 1970
// 798.37, steady filtered variance 4032.16.
TEST(SpeedFilter, ReproducesTheLevelOfTheNile) {
  const NileRun run = run_nile(15099, 1469.1);
  EXPECT_NEAR(run.level.mean, 798.37, 0.01);
  EXPECT_NEAR(run.level.variance - 1469.1, 4032.16, 0.5);
}

TEST(SpeedFilter, OneWildStateIsBoundedTwoAreFollowed) {
  Level level{0, 0.0025};
  const auto v = level.update(1.0, 0.0025, 2.5);
  EXPECT_LT(v.used, 0.3);
  EXPECT_LT(level.mean, 0.1);
  const double once = level.mean;
  for (int i = 0; i < 4; ++i) {
    level.step(0.01);
    level.update(1.0, 0.0025, 2.5);
  }
  EXPECT_GT(level.mean, 0.5);
  EXPECT_GT(level.mean, 4 * once);
}

// Bites made by the plan's own model at a known speed must give that speed back.
TEST(Evidence, FindsTheSpeedOfNoiselessBites) {
  const auto batch = lock_batch();
  for (const plan::Ground ground : {plan::Ground::kept, plan::Ground::fresh}) {
    const plan::BiteModel model(batch, ground, {}, 0.2);
    for (const double speed : {0.6, 0.9, 1.0, 1.2, 1.7}) {
      for (const double inking : {0.0, 0.02}) {
        std::vector<RegionOutcome> outcomes;
        int id = 0;
        for (const double now : {0.04, 0.15, 0.3}) {
          for (const double minutes : {0.5, 1.5, 4.0}) {
            const auto after = model.reached(Density::of(now), BiteTime::minutes(minutes / speed));
            outcomes.push_back({++id, minutes, now, 0.01, 0.5, after.value() + inking, 0.01});
          }
        }
        for (const double now : {0.1, 0.5, 0.9}) {
          outcomes.push_back({++id, 0, now, 0.004, now, now + inking, 0.003});
        }
        const auto e = weigh(outcomes, batch, ground);
        ASSERT_TRUE(e.has_value());
        EXPECT_NEAR(e->ln_speed, std::log(speed), 0.35 * e->sd + 0.002) << speed << " " << inking;
        EXPECT_LT(std::fabs(e->slope), e->slope_sd);
        EXPECT_LT(e->sd, 0.1);
      }
    }
  }
}

TEST(Evidence, OneRegionGoneWrongIsLeftAside) {
  const auto batch = lock_batch();
  const plan::BiteModel model(batch, plan::Ground::kept, {}, 0.2);
  std::vector<RegionOutcome> outcomes;
  for (int i = 0; i < 8; ++i) {
    const double minutes = 0.5 * (i + 1);
    const auto after = model.reached(Density::of(0.1), BiteTime::minutes(minutes / 1.15));
    outcomes.push_back({i + 1, minutes, 0.1, 0.01, 0.5, after.value(), 0.01});
  }
  outcomes[3].reached = 1.3;  // foul bite
  const auto e = weigh(outcomes, batch, plan::Ground::kept);
  ASSERT_TRUE(e.has_value());
  EXPECT_NEAR(e->ln_speed, std::log(1.15), 0.03);
  EXPECT_LT(e->answers[3].weight, 0.05);
  EXPECT_GT(e->answers[0].weight, 0.9);
  // In minutes: what the wedge would have needed for the tone reached.
  ASSERT_TRUE(e->answers[0].wedge_minutes.has_value());
  EXPECT_NEAR(*e->answers[0].wedge_minutes, 0.5 / 1.15, 0.05);
}

TEST(Evidence, NothingBittenTellsNothing) {
  const auto batch = lock_batch();
  EXPECT_FALSE(weigh({}, batch, plan::Ground::kept));
  EXPECT_FALSE(weigh({{1, 0, 0.1, 0.01, 0.1, 0.12, 0.01}}, batch, plan::Ground::kept));
  // Saturated long before: any speed explains it.
  EXPECT_FALSE(weigh({{1, 29, 1.33, 0.01, 1.33, 1.33, 0.01}}, batch, plan::Ground::kept));
}

TEST(Evidence, RecordedDipsAndTheirTemperatureTakeThePlansPlace) {
  const auto batch = lock_batch();  // its wedge: 20 C
  BatchUse use;
  use.predictions = {prediction(1, 0.1, 0.4, 1.0, 1),
                     prediction(2, 0.1, 0.8, 4.0, 2),
                     prediction(3, 0.3, 0.3, 0, 0)};
  for (auto& p : use.predictions) p.reached = 0.5, p.reached_sd = 0.01;
  auto o = outcomes_of(use, batch);
  EXPECT_TRUE(o.as_planned);
  EXPECT_NEAR(o.regions[1].wedge_minutes, 4.0, 1e-12);
  use.bites = {{0, 0, 1, 1.5, 20.0, 0, "", ""}, {0, 0, 2, 3.0, 26.0, 0, "", ""}};
  o = outcomes_of(use, batch);
  EXPECT_FALSE(o.as_planned);
  EXPECT_NEAR(o.regions[0].wedge_minutes, 1.5, 1e-9);
  EXPECT_GT(o.regions[1].wedge_minutes, 4.5 + 0.3);  // warmer: worth more of the wedge's minutes
  EXPECT_EQ(o.regions[2].wedge_minutes, 0);
  EXPECT_NEAR(o.area_minutes, 400 * (1.5 + 4.5), 1e-9);
  EXPECT_GT(o.temperature_ln_sd, 0.02);
  // Struck out with nothing in its place: that dip was not made, and the plan's is not taken for it.
  use.bites[1].struck = StruckOut{};
  o = outcomes_of(use, batch);
  EXPECT_FALSE(o.as_planned);
  EXPECT_NEAR(o.regions[1].wedge_minutes, 1.5, 1e-9);
  EXPECT_NEAR(o.area_minutes, 400 * (1.5 + 1.5), 1e-9);
}

TEST(Speed, AsksForANewWedgeWhenTheCurveItselfHasChanged) {
  const auto batch = lock_batch();
  const auto history = [&](double slope) {
    std::vector<BatchUse> uses;
    const plan::BiteModel model(batch, plan::Ground::kept, {}, 0.2);
    for (int n = 1; n <= 3; ++n) {
      BatchUse use;
      use.date = "2026-02-0" + std::to_string(n);
      use.plan.kept_ground = true;
      for (int i = 1; i <= 8; ++i) {
        const double minutes = 0.4 * i;
        auto p = prediction(i, 0.06, 0.5, minutes, i);
        p.reached =
            model.reached(Density::of(p.now), BiteTime::minutes(std::pow(minutes, 1 - slope)))
                .value();
        p.reached_sd = 0.01;
        use.predictions.push_back(p);
      }
      uses.push_back(use);
    }
    return learn(uses, batch, 4.0, "2026-02-04");
  };
  const auto same = history(0);
  EXPECT_FALSE(same.new_wedge);
  EXPECT_NEAR(same.speed, 1, 0.03);
  const auto bent = history(0.5);
  EXPECT_TRUE(bent.new_wedge);
  EXPECT_GT(bent.slope, 0.3);
  EXPECT_THAT(bent.notes, testing::Contains(testing::HasSubstr("curve itself")));
  EXPECT_GT(*bent.copper_g_l, 0);
}

// On fresh grounds the learned speed holds how their overlap strays: less of it is left in doubt
// with each state, never none of it; a kept ground says nothing of it.
TEST(Speed, StatesOnFreshGroundsSettleTheOverlap) {
  const auto batch = lock_batch();
  const auto share_after = [&](int states, bool kept) {
    const plan::BiteModel model(batch, plan::Ground::fresh, {}, 0.2);
    std::vector<BatchUse> uses;
    for (int n = 1; n <= states; ++n) {
      BatchUse use;
      use.date = "2026-02-0" + std::to_string(n);
      use.plan.kept_ground = kept;
      for (int i = 1; i <= 6; ++i) {
        auto p = prediction(i, 0.06 * i, 0.5, 0.6 * i, i);
        p.reached = model.reached(Density::of(p.now), BiteTime::minutes(p.minutes)).value();
        p.reached_sd = 0.01;
        use.predictions.push_back(p);
      }
      uses.push_back(use);
    }
    return learn(uses, batch, {}, "2026-02-09").overlap_share;
  };
  EXPECT_EQ(share_after(0, false), 1);
  EXPECT_EQ(share_after(3, true), 1);
  EXPECT_LT(share_after(1, false), 0.7);
  EXPECT_LT(share_after(3, false), share_after(1, false));
  EXPECT_GT(share_after(3, false), 0.05);
}

TEST(Speed, WithoutExperienceThePlanIsTheWedges) {
  const auto h = learn({}, lock_batch(), {});
  EXPECT_EQ(h.speed, 1);
  EXPECT_EQ(h.ln_sd, 0);
  EXPECT_FALSE(h.new_wedge);
}

// Truth of the plate maker; measure_book prints the lots one by one.
TEST(Speed, LearningHalvesTheErrorOfDriftingBatches) {
  // Three lots, pooled: one lot of 40 alone scatters by some four points of coverage.
  DriftScore score;
  for (const std::uint64_t seed : {1U, 1001U, 2001U}) {
    score.add(drifting_batches(seed, 40, true));
  }
  RecordProperty("ratio", std::to_string(score.rms_with() / score.rms_without()));
  RecordProperty("coverage", std::to_string(score.coverage()));
  EXPECT_GT(score.bites, 600);
  EXPECT_LE(score.rms_with(), 0.5 * score.rms_without());
  EXPECT_GE(score.coverage(), 0.85);
  EXPECT_LE(score.coverage(), 0.95);
}

TEST(Speed, LearningCostsNextToNothingWhereNothingDrifts) {
  const DriftScore score = drifting_batches(1, 40, false);
  EXPECT_GT(score.bites, 80);
  EXPECT_LE(score.rms_with(), 1.05 * score.rms_without());
}

}  // namespace
}  // namespace rebite::book

// What holds for every plan, over thousands of random ones.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>

#include "plan/check_plan.h"
#include "plan/minutes.h"
#include "tests/plan/hand_batch.h"
#include "tests/support/chance.h"

namespace rebite::plan {
namespace {

using ::testing::IsEmpty;

wedge::Batch random_batch(maker::Chance& chance) {
  std::vector<double> minutes{0}, density{chance.uniform(0, 0.1)};
  const int n = 3 + chance.below(7);
  const double ratio = chance.uniform(1.4, 2.2);
  double t = chance.uniform(0.1, 1.0);
  for (int i = 0; i < n; ++i, t *= ratio) {
    minutes.push_back(t);
    // Flat pieces too, as isotonic pooling leaves them.
    density.push_back(density.back() + (chance.uniform() < 0.15 ? 0 : chance.uniform(0.03, 0.4)));
  }
  if (density.back() - density.front() < 0.1) density.back() = density.front() + 0.1;
  wedge::Batch b = batch_through(
      minutes, density, chance.uniform(0.003, 0.03), density.back() + chance.uniform(-0.02, 0.4));
  b.overlap.q = chance.uniform(0.7, 1.3);
  b.overlap.measured = chance.uniform() < 0.5;
  const char* mordants[] = {"ferric chloride", "nitric acid", "Dutch mordant", "something", ""};
  b.mordant = mordants[chance.below(5)];
  return b;
}

tone::Region random_region(maker::Chance& chance, int id) {
  const double now = chance.uniform(-0.02, 1.5);
  tone::Region r = region(id,
                          now,
                          std::max(-0.02, now + chance.uniform(-0.8, 1.2)),
                          chance.uniform(0, 0.03),
                          std::exp(chance.uniform(0, 8)));
  const double kind = chance.uniform();
  r.kind = kind < 0.75   ? tone::RegionKind::area
           : kind < 0.85 ? tone::RegionKind::soft
           : kind < 0.95 ? tone::RegionKind::line
                         : tone::RegionKind::still;
  r.gap_sd = chance.uniform(0, 0.05);
  r.offset_sd = chance.uniform() < 0.5 ? r.gap_sd * chance.uniform() : 0;
  r.unseen_share = chance.uniform() < 0.1 ? chance.uniform() : 0;
  r.neighbours = {id - 1, id + 1};
  return r;
}

PlanOptions random_options(maker::Chance& chance, int regions) {
  PlanOptions o;
  o.ground = chance.uniform() < 0.5 ? Ground::kept : Ground::fresh;
  if (chance.uniform() < 0.5) o.temperature = Temperature::celsius(chance.uniform(5, 40));
  o.risk = chance.uniform(0.01, 0.5);
  if (chance.uniform() < 0.5) o.stages = chance.below(9);
  o.shortest = BiteTime::seconds(chance.uniform() < 0.5 ? 5 : chance.uniform(0, 120));
  o.speed = std::exp(0.3 * chance.normal());
  o.speed_sd = chance.uniform(0, 0.2);
  o.plates_since_wedge = chance.below(20);
  o.days_since_wedge = chance.uniform(0, 40);
  o.plate_area_mm2 = chance.uniform() < 0.5 ? 0 : 1e5;
  for (int id = 1; id <= regions; ++id) {
    if (chance.uniform() > 0.1) continue;
    Edit& e = o.edits[id];
    if (chance.uniform() < 0.5) e.action = static_cast<Action>(chance.below(7));
    if (chance.uniform() < 0.5) e.target = Density::of(chance.uniform(0, 1.6));
    if (chance.uniform() < 0.5) e.minutes = BiteTime::minutes(chance.uniform(0, 30));
  }
  return o;
}

bool same(const BitePlan& a, const BitePlan& b) {
  if (a.regions.size() != b.regions.size() || a.stages.size() != b.stages.size() ||
      a.lower_first != b.lower_first || a.notes != b.notes) {
    return false;
  }
  for (std::size_t i = 0; i < a.regions.size(); ++i) {
    const PlannedRegion &x = a.regions[i], &y = b.regions[i];
    if (x.region.id != y.region.id || x.action != y.action || x.stage != y.stage ||
        x.predicted.value != y.predicted.value || x.minutes.has_value() != y.minutes.has_value() ||
        (x.minutes &&
         (x.minutes->best != y.minutes->best || x.minutes->low != y.minutes->low ||
          x.minutes->high != y.minutes->high || x.minutes->advised != y.minutes->advised))) {
      return false;
    }
  }
  for (std::size_t i = 0; i < a.stages.size(); ++i) {
    if (a.stages[i].total != b.stages[i].total || a.stages[i].still_open != b.stages[i].still_open)
      return false;
  }
  return true;
}

// Times never negative, advised <= best, sums agree, stop-out only grows, lists agree (all in
// broken_rules); and the order in which regions are listed is nothing.
TEST(Properties, OfTwoThousandRandomPlans) {
  maker::Chance chance(31);
  int bitten = 0, lowered = 0, with_stages = 0;
  for (int run = 0; run < 2000; ++run) {
    const wedge::Batch batch = random_batch(chance);
    const int n = chance.below(8);
    std::vector<tone::Region> regions;
    for (int id = 1; id <= n; ++id) regions.push_back(random_region(chance, id));
    const PlanOptions options = random_options(chance, n + 2);
    const bool wedge = chance.uniform() < 0.95;
    const auto plan = plan_bites(regions, wedge ? &batch : nullptr, options);
    ASSERT_TRUE(plan) << run << ": " << plan.error().what;
    ASSERT_THAT(broken_rules(*plan), IsEmpty()) << run;
    if (options.stages && *options.stages > 0) {
      ASSERT_LE(static_cast<int>(plan->stages.size()), *options.stages);
    }
    for (const PlannedRegion& p : plan->regions) {
      bitten += p.stage > 0 ? 1 : 0;
      lowered += p.minutes ? 0 : 1;
      // What is bitten only gets darker.
      if (p.stage > 0) {
        ASSERT_GE(p.predicted.value, p.region.now.value) << run;
      }
    }
    with_stages += plan->stages.size() > 1 ? 1 : 0;
    if (run % 10 == 0) {
      for (std::size_t i = regions.size(); i > 1; --i) {
        std::swap(regions[i - 1],
                  regions[static_cast<std::size_t>(chance.below(static_cast<int>(i)))]);
      }
      const auto shuffled = plan_bites(regions, wedge ? &batch : nullptr, options);
      ASSERT_TRUE(same(*plan, *shuffled)) << run;
    }
  }
  EXPECT_GT(bitten, 1000);
  EXPECT_GT(lowered, 1000);
  EXPECT_GT(with_stages, 250);
}

// More gap never gives less time: neither a darker target nor a lighter now, in any of the figures.
TEST(Properties, MoreGapNeverLessTime) {
  maker::Chance chance(77);
  for (int run = 0; run < 60; ++run) {
    const wedge::Batch batch = random_batch(chance);
    const Ground ground = run % 2 == 0 ? Ground::kept : Ground::fresh;
    const BiteModel model(batch,
                          ground,
                          {chance.uniform(0.5, 2), chance.uniform(0, 0.3), false, {}},
                          chance.uniform(0.02, 0.5));
    const double sd = chance.uniform(0.0, 0.04), gap_sd = sd * chance.uniform(0, 2);
    const double offset_sd = run % 3 == 0 ? gap_sd * chance.uniform() : 0;
    const double fixed = chance.uniform(0, 1.2);
    Minutes before;
    for (double d = -0.05; d < 1.8; d += 0.045) {
      const Minutes m =
          model.minutes({{Density::of(fixed), sd}, {Density::of(d), sd}, gap_sd, offset_sd});
      ASSERT_GE(m.best, before.best) << run << " target " << d;
      ASSERT_GE(m.low, before.low) << run << " target " << d;
      ASSERT_GE(m.high, before.high) << run << " target " << d;
      ASSERT_GE(m.advised, before.advised) << run << " target " << d;
      before = m;
    }
  }
}

TEST(Properties, LighterNowNeverLessTime) {
  maker::Chance chance(78);
  for (int run = 0; run < 60; ++run) {
    const wedge::Batch batch = random_batch(chance);
    const Ground ground = run % 2 == 0 ? Ground::kept : Ground::fresh;
    const BiteModel model(batch, ground, {1, 0.1, false, {}}, 0.2);
    const double target = chance.uniform(0.2, batch.curve.darkest().value());
    BiteTime before = BiteTime::minutes(0);
    for (double now = target; now > -0.05; now -= 0.03) {
      const BiteTime best = model.time_to(Density::of(now), Density::of(target));
      ASSERT_GE(best, before) << run << " now " << now;
      before = best;
    }
  }
}

TEST(Properties, LongerInTheBathIsDarker) {
  maker::Chance chance(79);
  for (int run = 0; run < 100; ++run) {
    const wedge::Batch batch = random_batch(chance);
    const BiteModel model(batch, run % 2 == 0 ? Ground::kept : Ground::fresh, {}, 0.2);
    const Density now = Density::of(chance.uniform(-0.02, 1.6));
    Density before = now;
    for (double t = 0; t < 60; t += 0.7) {
      const Density after = model.reached(now, BiteTime::minutes(t));
      ASSERT_GE(after + ToneGap::of(1e-12), before);
      ASSERT_LE(after, std::max(now, model.reach(now)) + ToneGap::of(1e-9));
      before = after;
    }
  }
}

}  // namespace
}  // namespace rebite::plan

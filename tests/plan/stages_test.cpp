#include "plan/stages.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <bit>
#include <cmath>

#include "tests/plan/hand_batch.h"
#include "tests/support/chance.h"

namespace rebite::plan {
namespace {

using ::testing::ElementsAre;

StageArea area_of(double mm2, double wanted_s, double now, double gain, double tau_s, double beta) {
  StageArea a;
  a.area_mm2 = mm2;
  a.wanted = BiteTime::seconds(wanted_s);
  a.reached = [=](BiteTime t) {
    const double s = std::max(0.0, t.in_seconds());
    return Density::of(now + gain * (1 - std::exp(-std::pow(s / tau_s, beta))));
  };
  a.wanted_tone = a.reached(a.wanted);
  return a;
}

std::vector<StageArea> random_areas(maker::Chance& chance, int most) {
  std::vector<StageArea> areas;
  const int n = 1 + chance.below(most);
  for (int i = 0; i < n; ++i) {
    areas.push_back(area_of(chance.uniform(20, 3000),
                            std::exp(chance.uniform(0.5, 7.5)),
                            chance.uniform(0, 0.6),
                            chance.uniform(0.2, 1.0),
                            chance.uniform(60, 600),
                            chance.uniform(0.6, 1.2)));
    areas.back().by_hand = chance.uniform() < 0.15;
    if (chance.uniform() < 0.3)
      areas.back().longest = areas.back().wanted * chance.uniform(0.7, 1.5);
  }
  return areas;
}

double loss_at(const StageArea& a, double seconds, double weight, double all) {
  const double d = (a.reached(BiteTime::seconds(seconds)) - a.wanted_tone).value();
  // What a second of the hand makes of it: E|x| = 0.8 sd, by a central difference over +-1 s.
  const double hand = seconds > 0 ? 0.8 *
                                        (a.reached(BiteTime::seconds(seconds + 1)) -
                                         a.reached(BiteTime::seconds(std::max(0.0, seconds - 1))))
                                            .value() /
                                        2
                                  : 0;
  double extra = 0;
  if (a.by_hand) {
    const double off = seconds > 0 ? std::fabs(std::log2(seconds / a.wanted.in_seconds())) : 3.0;
    extra += std::max(a.area_mm2, 0.1 * all) * std::min(off, 3.0);
  }
  if (a.longest) {
    const double end = 1.01 * std::max(a.wanted.in_seconds(), a.longest->in_seconds());
    if (seconds > end) extra += a.area_mm2 * weight * 0.1 * std::log2(seconds / end);
  }
  return a.area_mm2 * ((d > 0 ? weight * d : -d) + hand) + extra;
}

// Every subset of the candidate totals, every assignment of areas to them or to no bite: the least
// loss there is with at most 0, 1, 2 ... totals.
std::vector<double> by_brute_force(const std::vector<StageArea>& areas,
                                   const std::vector<double>& candidates,
                                   double shortest,
                                   double weight) {
  double all = 0;
  for (const StageArea& a : areas) all += a.area_mm2;
  std::vector<std::vector<double>> loss(areas.size());
  std::vector<double> unbitten;
  for (std::size_t a = 0; a < areas.size(); ++a) {
    unbitten.push_back(loss_at(areas[a], 0, weight, all) / all);
    for (const double t : candidates) loss[a].push_back(loss_at(areas[a], t, weight, all) / all);
  }
  std::vector<double> best(candidates.size() + 1, 1e300);
  for (unsigned set = 0; set < (1u << candidates.size()); ++set) {
    double before = 0;
    bool allowed = true;
    for (std::size_t i = 0; i < candidates.size(); ++i) {
      if (!(set >> i & 1u)) continue;
      allowed = allowed && candidates[i] - before >= shortest - 0.01;
      before = candidates[i];
    }
    if (!allowed) continue;
    double sum = 0;
    for (std::size_t a = 0; a < areas.size(); ++a) {
      double least = unbitten[a];
      for (std::size_t i = 0; i < candidates.size(); ++i) {
        if (set >> i & 1u) least = std::min(least, loss[a][i]);
      }
      sum += least;
    }
    double& kept = best[static_cast<std::size_t>(std::popcount(set))];
    kept = std::min(kept, sum);
  }
  for (std::size_t k = 1; k < best.size(); ++k) best[k] = std::min(best[k], best[k - 1]);
  return best;
}

// Issue 5: the stage optimum equals brute force on 2,000 random small cases.
TEST(Stages, EqualBruteForce) {
  maker::Chance chance(2026);
  int compared = 0;
  for (int run = 0; run < 2000; ++run) {
    const auto areas = random_areas(chance, 7);
    const double shortest = chance.uniform() < 0.3 ? 60 : 5;
    const double risk = chance.uniform() < 0.5 ? 0.2 : chance.uniform(0.05, 0.5);
    StageOptions options;
    options.shortest = BiteTime::seconds(shortest);
    options.overshoot_weight = overshoot_weight(risk);
    const auto candidates = candidate_seconds(areas, options.shortest);
    const auto least = by_brute_force(areas, candidates, shortest, options.overshoot_weight);
    for (int k = 1; k <= static_cast<int>(candidates.size()); ++k) {
      options.stages = k;
      const auto found = choose_stages(areas, options);
      const double best = least[static_cast<std::size_t>(k)];
      ASSERT_NEAR(found.loss, best, 1e-12) << "run " << run << ", stages " << k;
      ++compared;
      // The loss told is the loss of the stages handed out.
      double all = 0, real = 0;
      for (const StageArea& a : areas) all += a.area_mm2;
      for (std::size_t a = 0; a < areas.size(); ++a) {
        const int stage = found.stage_of[a];
        const double t =
            stage == 0 ? 0 : found.totals[static_cast<std::size_t>(stage - 1)].in_seconds();
        real += loss_at(areas[a], t, options.overshoot_weight, all);
      }
      ASSERT_NEAR(real / all, found.loss, 1e-12);
      for (std::size_t i = 0; i < found.totals.size(); ++i) {
        const double before = i == 0 ? 0 : found.totals[i - 1].in_seconds();
        ASSERT_GE(found.totals[i].in_seconds() - before, shortest - 0.01);
      }
    }
  }
  EXPECT_GT(compared, 5000);
}

// A small area whose time was set by hand gets a stage of its own, also where the tone is flat.
TEST(Stages, ATimeSetByHandHasAStageOfItsOwn) {
  maker::Chance chance(88);
  for (int run = 0; run < 200; ++run) {
    auto areas = random_areas(chance, 12);
    for (StageArea& a : areas) a.by_hand = false;
    const double set = std::floor(std::exp(chance.uniform(3, 8.5)));
    StageArea hand = area_of(60, set, 0.3, 0.5, 100, 1);
    hand.by_hand = true;
    areas.push_back(hand);
    const auto found = choose_stages(areas, {});
    ASSERT_GT(found.stage_of.back(), 0);
    const double given =
        found.totals[static_cast<std::size_t>(found.stage_of.back() - 1)].in_seconds();
    EXPECT_LT(std::fabs(std::log2(given / set)), 0.1) << run << ": " << set << " s, " << given;
  }
}

TEST(Stages, TimePastTheEndOfTheWedgeIsALoss) {
  StageArea flat = area_of(500, 300, 0.2, 1.0, 30, 1), other = area_of(500, 3000, 0.2, 1.0, 300, 1);
  StageOptions one;
  one.stages = 1;
  const double before = choose_stages({flat, other}, one).loss;
  flat.longest = BiteTime::seconds(300);
  const auto found = choose_stages({flat, other}, {});
  EXPECT_GT(choose_stages({flat, other}, one).loss, before + 0.05);
  EXPECT_EQ(found.totals.size(), 2u);
}

TEST(Stages, TableNeverLosesByAFurtherStage) {
  maker::Chance chance(5);
  for (int run = 0; run < 200; ++run) {
    const auto areas = random_areas(chance, 40);
    const auto found = choose_stages(areas, {});
    ASSERT_FALSE(found.table.empty());
    int chosen = 0;
    for (std::size_t k = 0; k < found.table.size(); ++k) {
      EXPECT_GE(found.table[k].gain, 0);
      if (k > 0) {
        EXPECT_LE(found.table[k].loss, found.table[k - 1].loss);
        EXPECT_NEAR(found.table[k - 1].loss - found.table[k].loss, found.table[k].gain, 1e-12);
      }
      chosen += found.table[k].chosen ? found.table[k].stages : 0;
    }
    EXPECT_GE(chosen, 1);
    EXPECT_LE(chosen, 8);
    StageOptions most;
    most.stages = 0;
    const auto all = choose_stages(areas, most);
    EXPECT_LE(all.loss, found.loss);
    EXPECT_GE(all.totals.size(), found.totals.size());
  }
}

TEST(Stages, ManyAreasStayExactEnoughAndQuick) {
  maker::Chance chance(6);
  std::vector<StageArea> areas;
  for (int i = 0; i < 100; ++i) {
    for (const auto& a : random_areas(chance, 6)) areas.push_back(a);
  }
  for (StageArea& a : areas) a.by_hand = false;  // each of those wants a stage of its own
  ASSERT_GT(areas.size(), 200u);
  const auto found = choose_stages(areas, {});
  EXPECT_LE(found.totals.size(), 8u);
  EXPECT_LT(found.loss, 0.04);
}

// However many times there are, one set by hand stays a candidate as it is (the others are gathered);
// one below the shortest dip is that dip.
TEST(Stages, AmongManyTimesThoseSetByHandStay) {
  std::vector<StageArea> areas;
  for (int i = 0; i < 200; ++i) areas.push_back(area_of(50, 60 + 7 * i, 0.1, 0.9, 300, 0.9));
  for (const double seconds : {613.0, 3.0}) {
    areas.push_back(area_of(2000, seconds, 0.1, 0.9, 300, 0.9));
    areas.back().by_hand = true;
  }
  const auto found = choose_stages(areas, {});
  EXPECT_THAT(found.totals, ::testing::Contains(BiteTime::seconds(613)));
  const auto candidates = candidate_seconds(areas, BiteTime::seconds(5));
  EXPECT_LE(candidates.size(), 161u);
  EXPECT_THAT(candidates, ::testing::Contains(613.0));
  EXPECT_THAT(candidates, ::testing::Not(::testing::Contains(3.0)));
}

// A door of a third of a square centimetre does not keep the plate in the bath for half an hour;
// the same tone over most of the picture does, and so does a plate that is all dark.
TEST(Stages, WhatIsBeyondReachStaysAsLongAsThePictureGains) {
  const auto dark = [](double mm2) { return area_of(mm2, 1800, 0.6, 0.9, 240, 0.8); };
  const BiteTime ordinary = BiteTime::minutes(3);
  const BiteTime door = worth_staying({dark(32)}, ordinary, 1900);
  const BiteTime wall = worth_staying({dark(1200)}, ordinary, 1900);
  const BiteTime all = worth_staying({dark(1900)}, BiteTime::minutes(0), 1900);
  EXPECT_GE(door, ordinary);
  EXPECT_LT(door, BiteTime::minutes(10));
  EXPECT_GT(wall, BiteTime::minutes(20));
  EXPECT_GE(all, wall);
  // More area never less time; never past its own time.
  BiteTime before = ordinary;
  for (double mm2 = 5; mm2 < 1900; mm2 *= 1.7) {
    const BiteTime t = worth_staying({dark(mm2)}, ordinary, 1900);
    EXPECT_GE(t, before);
    EXPECT_LE(t, BiteTime::seconds(1800));
    before = t;
  }
}

// An area that wants less than a hand can time is bitten for the shortest dip where that loses
// less than no bite, and never for less.
TEST(Stages, ShortestDipIsKept) {
  const std::vector<StageArea> areas = {area_of(100, 3, 0.05, 1, 20, 1)};
  EXPECT_THAT(choose_stages(areas, {.overshoot_weight = 1}).totals,
              ElementsAre(BiteTime::seconds(5)));
  EXPECT_THAT(choose_stages(areas, {.overshoot_weight = 4}).stage_of, ElementsAre(0));
}

TEST(Stages, SaysWhenMoreStagesAreAskedThanThereAreTimes) {
  const std::vector<StageArea> areas = {area_of(100, 60, 0.05, 1, 200, 1),
                                        area_of(100, 300, 0.05, 1, 200, 1)};
  StageOptions options;
  options.stages = 9;
  const auto found = choose_stages(areas, options);
  EXPECT_EQ(found.totals.size(), 2u);
  EXPECT_EQ(found.notes.size(), 1u);
}

std::vector<double> dips_minutes(const BitePlan& plan) {
  std::vector<double> dips;
  for (const Stage& s : plan.stages) dips.push_back(s.dip.in_minutes());
  return dips;
}

// M. Lalanne, A Treatise on Etching, transl. Koehler, 1880, Plate A: lines stopped out at 3, 10, 20
// and 30 minutes in all (fine point; 6 for the coarse): dips of 3, 7, 10, 10 (6, 4, 10, 10).
// Densities as measured on the plate's reproduction (checks.md F1).
TEST(Stages, LalannesPlateA) {
  const std::vector<double> fine_tone = {0.349, 0.595, 0.754, 0.862};
  const std::vector<double> coarse_tone = {0.297, 0.470, 0.714, 0.896};
  const auto plan_of = [](double first, const std::vector<double>& tone) {
    const auto batch = batch_through(
        {0, first, 10, 20, 30}, {0.02, tone[0], tone[1], tone[2], tone[3]}, 1e-5, 2.5);
    std::vector<tone::Region> regions;
    for (std::size_t i = 0; i < tone.size(); ++i) {
      regions.push_back(region(static_cast<int>(i) + 1, 0.02, tone[i], 0));
    }
    PlanOptions options;
    options.ground = Ground::kept;
    const auto plan = plan_bites(regions, &batch, options);
    EXPECT_TRUE(plan);
    return *plan;
  };
  const BitePlan fine = plan_of(3, fine_tone);
  EXPECT_THAT(dips_minutes(fine), ElementsAre(3, 7, 10, 10));
  EXPECT_THAT(fine.stages[2].stop_out_before, ElementsAre(2));
  EXPECT_THAT(fine.stages[2].still_open, ElementsAre(3, 4));
  EXPECT_THAT(dips_minutes(plan_of(6, coarse_tone)), ElementsAre(6, 4, 10, 10));
}

// Hamerton's positive process (Workshop Receipts; checks.md H4): the darkest the whole time, then a
// half, a quarter, an eighth: totals 8:4:2:1, as stop-out dips of 1, 1, 2, 4 eighths.
TEST(Stages, HamertonsHalves) {
  std::vector<StageArea> areas;
  for (const double eighths : {8.0, 4.0, 2.0, 1.0}) {
    areas.push_back(area_of(200, 120 * eighths, 0.03, 1.2, 400, 0.9));
  }
  const auto found = choose_stages(areas, {});
  ASSERT_EQ(found.totals.size(), 4u);
  EXPECT_THAT(found.stage_of, ElementsAre(4, 3, 2, 1));
  std::vector<double> dips;
  for (std::size_t i = 0; i < 4; ++i) {
    dips.push_back(
        (found.totals[i] - (i ? found.totals[i - 1] : BiteTime::minutes(0))).in_seconds() / 120);
  }
  EXPECT_THAT(dips, ElementsAre(1, 1, 2, 4));
}

// H. R. Blaney, Photogravure: average bitings of copper at 70 F of 5, 5, 2 and 2 minutes one after
// another, 10 to 25 minutes in all (checks.md H3; that the baths are ferric chloride of 42, 37, 33
// and 30 degrees Baume is from memory). As totals: 5, 10, 12, 14.
TEST(Stages, BlaneysAverageBitings) {
  std::vector<StageArea> areas;
  double total = 0;
  for (const double minutes : {5.0, 5.0, 2.0, 2.0}) {
    total += minutes;
    areas.push_back(area_of(300, 60 * total, 0.04, 1.4, 500, 0.9));
  }
  EXPECT_GE(total, 10);
  EXPECT_LE(total, 25);
  StageOptions most;
  most.stages = 0;
  const auto found = choose_stages(areas, most);
  EXPECT_THAT(found.totals,
              ElementsAre(BiteTime::minutes(5),
                          BiteTime::minutes(10),
                          BiteTime::minutes(12),
                          BiteTime::minutes(14)));
  EXPECT_THAT(found.stage_of, ElementsAre(1, 2, 3, 4));
}

// A doubling ladder given as totals (15 s to 16 min) has its dips sum to 16 min, the same ladder
// meant as dips would sum to 31 min 45 s (common ladder of a stage-bite blog; trade.md 0.1).
TEST(Stages, DoublingLadderIsOfTotals) {
  std::vector<StageArea> areas;
  double as_dips = 0;
  for (int k = 0; k < 7; ++k) {
    const double s = 15 * std::pow(2.0, k);
    as_dips += s;
    areas.push_back(area_of(300, s, 0.04, 1.3, 300, 0.85));
  }
  StageOptions all;
  all.stages = 0;
  const auto found = choose_stages(areas, all);
  ASSERT_EQ(found.totals.size(), 7u);
  EXPECT_EQ(found.totals.back(), BiteTime::minutes(16));
  EXPECT_EQ(clock_text(BiteTime::seconds(as_dips)), "31:45");
}

}  // namespace
}  // namespace rebite::plan

// What is done to which region, edits by hand, lowering, words.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <limits>

#include "plan/check_plan.h"
#include "plan/decide.h"
#include "plan/lower.h"
#include "plan/plan_bites.h"
#include "plan/plan_notes.h"
#include "tests/plan/hand_batch.h"

namespace rebite::plan {
namespace {

using ::testing::Contains;
using ::testing::ElementsAre;
using ::testing::HasSubstr;
using ::testing::IsEmpty;
using ::testing::Not;

wedge::Batch batch() {
  return batch_through(
      {0, 0.5, 1, 2, 4, 8, 16}, {0.04, 0.15, 0.25, 0.42, 0.68, 0.98, 1.2}, 0.01, 1.45);
}

BitePlan planned(const std::vector<tone::Region>& regions, const PlanOptions& options = {}) {
  const wedge::Batch b = batch();
  const auto plan = plan_bites(regions, &b, options);
  EXPECT_TRUE(plan) << (plan ? "" : plan.error().what);
  EXPECT_THAT(broken_rules(*plan), IsEmpty());
  return *plan;
}

Action action_for(double now, double target, double sd = 0.01) {
  return planned({region(1, now, target, sd)}).regions[0].action;
}

TEST(Actions, Words) {
  for (const char* text : {"bite", "burnish", "scrape", "hold", "line", "soft", "beyond"}) {
    ASSERT_TRUE(action_of(text)) << text;
    EXPECT_STREQ(word(*action_of(text)), text);
  }
  EXPECT_FALSE(action_of("etch"));
  EXPECT_FALSE(action_of(""));
}

TEST(Actions, ByGap) {
  EXPECT_EQ(action_for(0.3, 0.5), Action::bite);
  EXPECT_EQ(action_for(0.3, 0.32), Action::hold);
  EXPECT_EQ(action_for(0.32, 0.3), Action::hold);
  EXPECT_EQ(action_for(0.5, 0.4), Action::burnish);
  EXPECT_EQ(action_for(0.9, 0.4), Action::scrape);
  EXPECT_EQ(action_for(1.2, 0.95), Action::scrape);   // deep
  EXPECT_EQ(action_for(0.6, 0.35), Action::burnish);  // the same gap, not deep
  EXPECT_EQ(action_for(0.1, 1.9), Action::beyond);
  EXPECT_EQ(action_for(0.3, 0.4, 0.05), Action::hold);  // within its own uncertainty
}

TEST(Actions, ByKind) {
  tone::Region line = region(1, 0.2, 0.9, 0.01), soft = region(2, 0.2, 0.6, 0.01),
               still = region(3, 0.2, 0.9, 0.01), unseen = region(4, 0.2, 0.9, 0.01);
  line.kind = tone::RegionKind::line;
  soft.kind = tone::RegionKind::soft;
  still.kind = tone::RegionKind::still;
  unseen.unseen_share = 0.8;
  const BitePlan plan = planned({line, soft, still, unseen});
  EXPECT_EQ(plan.regions[0].action, Action::line);
  EXPECT_EQ(plan.regions[1].action, Action::soft);
  // Free-hand work gets a rough guide, no advice: the wedge's step of that change.
  for (int i : {0, 1}) {
    ASSERT_TRUE(plan.regions[static_cast<std::size_t>(i)].guide);
    EXPECT_FALSE(plan.regions[static_cast<std::size_t>(i)].minutes);
  }
  EXPECT_GT(*plan.regions[0].guide, *plan.regions[1].guide);
  EXPECT_EQ(plan.regions[2].action, Action::hold);
  EXPECT_EQ(plan.regions[3].action, Action::hold);
  EXPECT_THAT(plan.regions[1].notes, Contains(HasSubstr("aim at 0.60 D")));
  EXPECT_THAT(plan.regions[3].notes, Contains(HasSubstr("could not be aligned")));
  EXPECT_TRUE(plan.stages.empty());
}

TEST(Actions, BeyondGivesTheNearestToneAndTheSecondGround) {
  PlanOptions kept;
  kept.ground = Ground::kept;
  const BitePlan plan = planned({region(1, 0.2, 1.35, 0.01), region(2, 1.2, 1.4, 0.01)}, kept);
  const PlannedRegion& dark = plan.regions[0];
  EXPECT_EQ(dark.action, Action::beyond);
  ASSERT_TRUE(dark.nearest && dark.minutes);
  EXPECT_NEAR(dark.nearest->value(), 1.2, 1e-9);
  EXPECT_GT(dark.stage, 0);
  EXPECT_THAT(dark.notes, Contains(HasSubstr("fresh ground laid over this bite would reach it")));
  const PlannedRegion& full = plan.regions[1];
  EXPECT_EQ(full.action, Action::beyond);
  EXPECT_FALSE(full.minutes);
  EXPECT_EQ(full.stage, 0);
  EXPECT_THAT(full.notes, Contains(HasSubstr("No further gain")));
  const BitePlan fresh = planned({region(1, 0.2, 1.9, 0.01)});
  EXPECT_THAT(fresh.regions[0].notes, Contains(HasSubstr("not the target")));
}

// A gradual passage is made by hand, but no hand makes a black that the bath cannot.
TEST(Actions, SoftPassagesAreToldWhatIsOutOfReach) {
  PlanOptions kept;
  kept.ground = Ground::kept;
  kept.plate_area_mm2 = 1000;
  tone::Region dark = region(1, 0.2, 1.4, 0.01), end = region(2, 0.2, 0.8, 0.01),
               near = region(3, 0.2, 0.8, 0.01);
  for (tone::Region* r : {&dark, &end, &near}) r->kind = tone::RegionKind::soft;
  end.run = tone::ToneRun{Density::of(0.3), Density::of(1.38), Density::of(0.25)};
  near.run = tone::ToneRun{Density::of(0.3), Density::of(1.1), Density::of(0.25)};
  const BitePlan plan = planned({dark, end, near}, kept);
  const PlannedRegion &d = plan.regions[0], &e = plan.regions[1];
  EXPECT_EQ(d.action, Action::soft);
  ASSERT_TRUE(d.nearest);
  EXPECT_NEAR(d.nearest->value(), 1.2, 1e-9);
  EXPECT_EQ(d.aim(), *d.nearest);
  EXPECT_EQ(d.predicted.value, *d.nearest);
  EXPECT_THAT(d.notes, Contains(HasSubstr("reach 1.20 D at most")));
  EXPECT_THAT(d.notes, Contains(HasSubstr("fresh ground laid over this bite would reach it")));
  EXPECT_THAT(d.notes, Contains(HasSubstr("aim at 1.20 D")));
  ASSERT_TRUE(e.nearest);
  EXPECT_NEAR(e.aim().value(), 0.8, 1e-9);
  EXPECT_THAT(e.notes, Contains(HasSubstr("Its dark end wants 1.38 D")));
  EXPECT_FALSE(plan.regions[2].nearest);
  EXPECT_GT(plan.outlook.mean_gap_after, 0.07) << "what is out of reach is left over";
}

// What the text says of a second ground agrees with the digits that it shows.
TEST(Actions, BeyondTextsAgreeWithTheirDigits) {
  const wedge::Batch b = batch();
  const BiteModel model(b, Ground::fresh, {}, 0.2);
  const Density second = model.reach_with_further_ground(model.reach(Density::of(0.2)));
  const auto text = [&](double target) {
    const auto plan = planned({region(1, 0.2, target, 0.001)});
    EXPECT_EQ(plan.regions[0].action, Action::beyond);
    std::string all;
    for (const auto& n : plan.regions[0].notes) all += n;
    return all;
  };
  EXPECT_THAT(text(second.value() + 0.004), HasSubstr("would reach it"));
  EXPECT_THAT(text(second.value() + 0.06), HasSubstr("not the target"));
  PlanOptions by_hand;
  by_hand.edits[1].action = Action::beyond;
  const auto plan = planned({region(1, 0.2, 0.6, 0.01)}, by_hand);
  EXPECT_THAT(plan.regions[0].notes, Contains(HasSubstr("within reach")));
  EXPECT_THAT(plan.regions[0].notes, Not(Contains(HasSubstr("at most"))));
}

TEST(Lower, NoTargetIsLighterThanBareMetal) {
  const BitePlan plan = planned({region(1, 0.5, -0.02, 0.01), region(2, 0.06, -0.02, 0.005)});
  EXPECT_EQ(plan.regions[0].action, Action::scrape);
  EXPECT_NEAR(plan.regions[0].aim().value(), 0.04, 1e-9);
  EXPECT_NEAR(plan.regions[0].predicted.value.value(), 0.04, 1e-9);
  EXPECT_THAT(plan.regions[0].notes, Contains(HasSubstr("bare metal prints 0.04 D")));
  EXPECT_EQ(plan.regions[1].action, Action::hold) << "bare already";
}

TEST(Lower, OnAKeptGroundTheWorkComesLast) {
  tone::Region deep = region(1, 1.1, 0.5, 0.01, 200), bite = region(2, 0.2, 0.6, 0.01, 500),
               soft = region(3, 0.9, 0.5, 0.01, 900);
  deep.neighbours = {2};
  bite.neighbours = {1};
  soft.kind = tone::RegionKind::soft;
  PlanOptions kept;
  kept.ground = Ground::kept;
  for (const PlanOptions& o : {kept, PlanOptions{}}) {
    const BitePlan plan = planned({deep, bite, soft}, o);
    EXPECT_THAT(plan.lower_first, ElementsAre(1, 3)) << "by eye too, after the areas";
    const bool last = o.ground == Ground::kept;
    for (const PlannedRegion& p : plan.regions) {
      for (const std::string& n : p.notes) {
        EXPECT_TRUE(!last || n.find("first") == std::string::npos) << n;
      }
    }
    ASSERT_FALSE(plan.stages.empty());
    EXPECT_NEAR(plan.regions[0].after_stage.back().value.value(), last ? 1.1 : 0.5, 1e-9);
    EXPECT_NEAR(plan.regions[0].predicted.value.value(), 0.5, 1e-9);
  }
}

TEST(Lower, ListAndNotes) {
  tone::Region small = region(1, 0.5, 0.4, 0.01, 80), wide = region(2, 0.6, 0.3, 0.01, 1500),
               deep = region(3, 1.2, 0.3, 0.01, 200), bite = region(4, 0.2, 0.6, 0.01, 500);
  deep.neighbours = {4};
  bite.neighbours = {3};
  const BitePlan plan = planned({small, wide, deep, bite});
  EXPECT_THAT(plan.lower_first, ElementsAre(2, 3, 1));
  EXPECT_THAT(plan.regions[0].notes, Contains(HasSubstr("0.8 cm2")));
  EXPECT_THAT(plan.regions[1].notes, Contains(HasSubstr("charcoal")));
  EXPECT_THAT(plan.regions[2].notes, Contains(HasSubstr("hammered up")));
  EXPECT_THAT(plan.regions[2].notes, Contains(HasSubstr("Touches region 4")));
  EXPECT_THAT(plan.regions[3].notes, Contains(HasSubstr("Touches region 3")));
  EXPECT_THAT(plan.regions[0].notes, Not(Contains(HasSubstr("Touches"))));
  for (const PlannedRegion& p : plan.regions) {
    if (lowers(p.action)) {
      EXPECT_FALSE(p.minutes);
    }
  }
}

TEST(Lower, WarningsAreThoseForTheBench) {
  PlannedRegion p;
  p.action = Action::scrape;
  p.notes = {"10.2 cm2 to scrape.", "Deep: measure.", "Touches region 5, which is bitten."};
  EXPECT_THAT(lowering_warnings(p), testing::ElementsAre("Deep: measure.", HasSubstr("region 5")));
  p.action = Action::bite;
  EXPECT_THAT(lowering_warnings(p), IsEmpty());
}

TEST(Edits, AreKept) {
  PlanOptions options;
  options.edits[1].minutes = BiteTime::seconds(95);
  options.edits[2].action = Action::hold;
  options.edits[3].target = Density::of(0.9);
  options.edits[4].action = Action::scrape;
  options.edits[5].minutes = BiteTime::minutes(2);
  options.edits[77].action = Action::hold;
  const BitePlan plan = planned({region(1, 0.2, 0.6, 0.01),
                                 region(2, 0.2, 0.6, 0.01),
                                 region(3, 0.2, 0.6, 0.01),
                                 region(4, 0.5, 0.4, 0.01),
                                 region(5, 0.4, 0.41, 0.01),
                                 region(6, 0.2, 0.6, 0.01)},
                                options);
  ASSERT_TRUE(plan.regions[0].minutes);
  EXPECT_EQ(plan.regions[0].minutes->advised, BiteTime::seconds(95));
  EXPECT_TRUE(plan.regions[0].by_hand);
  EXPECT_EQ(plan.regions[1].action, Action::hold);
  EXPECT_EQ(plan.regions[1].stage, 0);
  EXPECT_EQ(plan.regions[2].region.target.value, Density::of(0.9));
  EXPECT_GT(plan.regions[2].minutes->best, plan.regions[5].minutes->best);
  EXPECT_EQ(plan.regions[3].action, Action::scrape);
  EXPECT_THAT(plan.lower_first, ElementsAre(4));
  EXPECT_EQ(plan.regions[4].action, Action::bite);
  EXPECT_EQ(plan.regions[4].minutes->best, BiteTime::minutes(2));
  EXPECT_THAT(plan.notes, Contains(HasSubstr("region 77")));
  EXPECT_FALSE(plan.regions[5].by_hand);
  // A stage ends at the time set by hand when there is room for it.
  PlanOptions alone;
  alone.edits[1].minutes = BiteTime::seconds(95);
  const BitePlan one = planned({region(1, 0.2, 0.6, 0.01)}, alone);
  ASSERT_EQ(one.stages.size(), 1u);
  EXPECT_EQ(one.stages[0].total, BiteTime::seconds(95));
}

TEST(Edits, TheBurnisherMakesNothingDarker) {
  PlanOptions options;
  options.plate_area_mm2 = 1000;
  options.edits[1].action = Action::burnish;
  options.edits[1].target = Density::of(0.9);
  const BitePlan plan = planned({region(1, 0.4, 0.3, 0.01)}, options);
  EXPECT_NEAR(plan.regions[0].predicted.value.value(), 0.4, 1e-9);
  EXPECT_THAT(plan.regions[0].notes, Contains(HasSubstr("only makes lighter")));
  EXPECT_THAT(plan.notes, Contains(HasSubstr("region 1")));
  EXPECT_NEAR(plan.outlook.mean_gap_after, plan.outlook.mean_gap_before, 1e-9);
}

TEST(Edits, ATimeThatIsNotGivenIsSaidInThePlan) {
  PlanOptions options;
  options.edits[1].minutes = BiteTime::minutes(2);
  options.stages = 1;
  const std::vector<tone::Region> regions = {region(1, 0.1, 0.5, 0.01, 40),
                                             region(2, 0.1, 0.9, 0.01, 4000)};
  const BitePlan one = planned(regions, options);
  EXPECT_THAT(one.notes, Contains(HasSubstr("time set by hand")));
  EXPECT_GT(one.stage_table[0].loss, one.stage_table[1].loss + 0.05);
  options.stages.reset();
  const BitePlan free = planned(regions, options);
  ASSERT_GT(free.regions[0].stage, 0);
  EXPECT_EQ(free.stages[static_cast<std::size_t>(free.regions[0].stage - 1)].total,
            BiteTime::minutes(2));
  EXPECT_THAT(free.notes, Not(Contains(HasSubstr("time set by hand"))));
  options.edits[1].minutes = BiteTime::minutes(60);
  EXPECT_THAT(planned(regions, options).notes, Contains(HasSubstr("past the end")));
}

TEST(Edits, OfNonsenseAreRefused) {
  const wedge::Batch b = batch();
  PlanOptions options;
  options.edits[1].minutes = BiteTime::minutes(-1);
  const auto plan = plan_bites({region(1, 0.2, 0.6, 0.01)}, &b, options);
  ASSERT_FALSE(plan);
  EXPECT_EQ(plan.error().kind, ProblemKind::data);
  EXPECT_THAT(plan.error().what, HasSubstr("region 1"));
}

TEST(NoWedge, MapGapsAndLowerListStandWithoutMinutes) {
  PlanOptions options;
  options.plate_area_mm2 = 1000;
  tone::Region dark = region(1, 0.2, 0.6, 0.01, 400), light = region(2, 0.9, 0.4, 0.01, 100);
  dark.neighbours = {2};
  light.neighbours = {1};
  const auto plan = plan_bites({dark, light}, nullptr, options);
  ASSERT_TRUE(plan);
  // It will be bitten, whoever tells the minutes.
  EXPECT_THAT(plan->regions[0].notes, Contains(HasSubstr("Touches region 2")));
  EXPECT_THAT(plan->regions[1].notes, Contains(HasSubstr("Touches region 1")));
  EXPECT_TRUE(plan->batch.empty());
  EXPECT_EQ(plan->regions[0].action, Action::bite);
  EXPECT_FALSE(plan->regions[0].minutes);
  EXPECT_TRUE(plan->stages.empty());
  EXPECT_THAT(plan->lower_first, ElementsAre(2));
  EXPECT_NEAR(plan->outlook.mean_gap_before, (400 * 0.4 + 100 * 0.5) / 1000, 1e-12);
  EXPECT_NEAR(plan->outlook.mean_gap_after, 400 * 0.4 / 1000, 1e-12);
  EXPECT_THAT(plan->notes, Contains(HasSubstr("No minutes")));
  EXPECT_THAT(plan->notes, Contains(HasSubstr("rebite wedge")));
}

TEST(Outlook, CountsTheStagesAsReallyAssigned) {
  PlanOptions options;
  options.stages = 1;
  options.plate_area_mm2 = 16500;
  const BitePlan plan =
      planned({region(1, 0.1, 0.3, 0.01, 300), region(2, 0.1, 0.9, 0.01, 3000)}, options);
  ASSERT_EQ(plan.stages.size(), 1u);
  const wedge::Batch b = batch();
  const BiteModel model(b, Ground::fresh, {}, 0.2);
  double after = 0;
  for (const PlannedRegion& p : plan.regions) {
    const Density expected =
        p.stage == 0 ? p.region.now.value : model.reached(p.region.now.value, plan.stages[0].total);
    EXPECT_EQ(p.predicted.value, expected);
    after += p.region.area_mm2 * std::fabs((p.region.target.value - expected).value());
  }
  // The light area is not drowned in the dark one's time: it is left for later.
  EXPECT_EQ(plan.regions[0].stage, 0);
  EXPECT_THAT(plan.notes, Contains(HasSubstr("Left unbitten")));
  EXPECT_NEAR(plan.outlook.mean_gap_after, after / 16500, 1e-12);
  EXPECT_LT(plan.outlook.mean_gap_after, plan.outlook.mean_gap_before);
}

TEST(Strip, OnePatchPerStageWithTheTonesOfTheWedge) {
  const BitePlan plan = planned({region(1, 0.04, 0.25, 0.002), region(2, 0.04, 0.68, 0.002)});
  ASSERT_EQ(plan.control_strip.size(), plan.stages.size());
  const wedge::Batch b = batch();
  for (std::size_t k = 0; k < plan.stages.size(); ++k) {
    EXPECT_EQ(plan.control_strip[k].total, plan.stages[k].total);
    EXPECT_EQ(plan.control_strip[k].expected.value, b.curve.at(plan.stages[k].total));
    EXPECT_GT(plan.control_strip[k].expected.sd, 0);
  }
  ASSERT_TRUE(plan.handling);
  EXPECT_EQ(*plan.handling, BiteTime::minutes(15.0 * static_cast<double>(plan.stages.size() - 1)));
}

TEST(Words, CautionsFitTheWork) {
  const auto bite = region(1, 0.2, 0.6, 0.01), lower = region(2, 0.9, 0.4, 0.01);
  const BitePlan both = planned({bite, lower});
  EXPECT_THAT(both.cautions,
              ElementsAre(HasSubstr("Ferric chloride"),
                          HasSubstr("eye"),
                          HasSubstr("Rosin"),
                          HasSubstr("Stop-out varnish"),
                          HasSubstr("Scraping"),
                          HasSubstr("safety data sheet")));
  EXPECT_THAT(planned({lower}).cautions,
              ElementsAre(HasSubstr("Scraping"), HasSubstr("safety data sheet")));
  EXPECT_THAT(planned({}).cautions, IsEmpty());
  PlanOptions kept;
  kept.ground = Ground::kept;
  EXPECT_THAT(planned({bite}, kept).cautions, Not(Contains(HasSubstr("Rosin"))));
}

TEST(Words, AHotBathIsCautionedAgainst) {
  const auto cautions_at = [](std::optional<Temperature> now) {
    PlanOptions options;
    options.temperature = now;
    return planned({region(1, 0.2, 0.6, 0.01)}, options).cautions;
  };
  EXPECT_THAT(cautions_at(Temperature::celsius(95)), Contains(HasSubstr("this hot")));
  EXPECT_THAT(cautions_at(Temperature::celsius(25)), Not(Contains(HasSubstr("this hot"))));
  EXPECT_THAT(cautions_at({}), Not(Contains(HasSubstr("this hot"))));
}

TEST(Words, ZincInABathForCopperIsSaid) {
  wedge::Batch zinc = batch();
  zinc.metal = "zinc";
  const auto plan = plan_bites({region(1, 0.2, 0.6, 0.01)}, &zinc, {});
  ASSERT_FALSE(plan->cautions.empty());
  EXPECT_THAT(plan->cautions.front(), HasSubstr("Do not bite")) << "the first thing to be read";
  EXPECT_THAT(planned({region(1, 0.2, 0.6, 0.01)}).cautions,
              Not(Contains(HasSubstr("Do not bite"))));
}

TEST(Words, NothingToDo) {
  EXPECT_THAT(planned({region(1, 0.3, 0.31, 0.01)}).notes, Contains(HasSubstr("Nothing to do")));
  EXPECT_THAT(planned({}).notes, Contains(HasSubstr("Nothing to do")));
  EXPECT_THAT(planned({region(1, 0.3, 0.6, 0.01)}).notes,
              Not(Contains(HasSubstr("Nothing to do"))));
  tone::Region lighter = region(1, 0.9, 0.4, 0.01);
  lighter.kind = tone::RegionKind::line;
  const BitePlan by_degrees = planned({lighter});
  ASSERT_THAT(by_degrees.lower_first, testing::ElementsAre(1));
  EXPECT_THAT(by_degrees.notes, Not(Contains(HasSubstr("Nothing to do"))));
}

// Five areas to bite and no stage, and no word of it.
TEST(Words, BitesTooShortToTimeAreSaid) {
  PlanOptions options;
  options.shortest = BiteTime::minutes(60);
  const BitePlan plan = planned({region(1, 0.1, 0.3, 0.01), region(4, 0.1, 0.4, 0.01)}, options);
  ASSERT_THAT(plan.stages, IsEmpty());
  EXPECT_THAT(plan.notes, Contains(HasSubstr("regions 1, 4 would need less than the shortest dip of 3600 s")));
  options.shortest = BiteTime::seconds(5);
  EXPECT_THAT(planned({region(1, 0.1, 0.3, 0.01)}, options).notes,
              Not(Contains(HasSubstr("shortest dip"))));
}

TEST(Refusals, NameTheTrouble) {
  const wedge::Batch b = batch();
  tone::Region broken = region(3, 0.2, 0.6, 0.01);
  broken.gap_sd = std::numeric_limits<double>::quiet_NaN();
  const auto nan = plan_bites({broken}, &b, {});
  ASSERT_FALSE(nan);
  EXPECT_EQ(nan.error().kind, ProblemKind::data);
  EXPECT_THAT(nan.error().what, HasSubstr("region 3"));
  EXPECT_FALSE(plan_bites({region(1, 0.2, 0.6, 0.01), region(1, 0.3, 0.6, 0.01)}, &b, {}));
  const auto flat = batch_through({0, 5, 20}, {0.04, 0.05, 0.06}, 0.01, 1.5);
  EXPECT_FALSE(plan_bites({region(1, 0.2, 0.6, 0.01)}, &flat, {}));
  for (const double risk : {0.0, 0.9, -1.0}) {
    PlanOptions options;
    options.risk = risk;
    const auto plan = plan_bites({region(1, 0.2, 0.6, 0.01)}, &b, options);
    ASSERT_FALSE(plan);
    EXPECT_EQ(plan.error().kind, ProblemKind::usage);
  }
}

// The check itself finds what is broken.
TEST(CheckPlan, FindsBrokenRules) {
  const BitePlan good =
      planned({region(1, 0.1, 0.3, 0.005), region(2, 0.1, 0.9, 0.005), region(3, 0.9, 0.5, 0.01)});
  ASSERT_GE(good.stages.size(), 2u);
  const auto broken = [&](auto change) {
    BitePlan plan = good;
    change(plan);
    return broken_rules(plan).size();
  };
  EXPECT_EQ(broken([](BitePlan&) {}), 0u);
  EXPECT_GT(broken([](BitePlan& p) { p.regions[0].minutes->advised = BiteTime::minutes(99); }), 0u);
  EXPECT_GT(broken([](BitePlan& p) { p.regions[0].minutes->low = BiteTime::minutes(-1); }), 0u);
  EXPECT_GT(broken([](BitePlan& p) { p.stages[1].total = BiteTime::minutes(99); }), 0u);
  EXPECT_GT(broken([](BitePlan& p) { p.stages[1].stop_out_before.clear(); }), 0u);
  EXPECT_GT(broken([](BitePlan& p) { p.stages[1].still_open.push_back(1); }), 0u);
  EXPECT_GT(broken([](BitePlan& p) { p.lower_first.clear(); }), 0u);
  EXPECT_GT(broken([](BitePlan& p) { p.stage_table[0].chosen = !p.stage_table[0].chosen; }), 0u);
  EXPECT_GT(broken([](BitePlan& p) { p.batch.clear(); }), 0u);
  // A tone that gets lighter in the bath; but the last digit of a double is not one.
  const auto darker_before = [](double by) {
    return [by](BitePlan& p) {
      p.regions[0].after_stage[0].value = p.regions[0].after_stage[1].value + ToneGap::of(by);
    };
  };
  EXPECT_GT(broken(darker_before(1e-3)), 0u);
  EXPECT_EQ(broken(darker_before(3e-16)), 0u);
  EXPECT_GT(broken([](BitePlan& p) { std::swap(p.regions[0], p.regions[1]); }), 0u);
}

}  // namespace
}  // namespace rebite::plan

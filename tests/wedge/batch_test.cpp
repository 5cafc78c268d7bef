// The batch file, the overlap arithmetic, and times as dips.
#include <gtest/gtest.h>

#include "wedge/fit_curve.h"
#include "wedge/make_batch.h"

namespace rebite::wedge {
namespace {

Batch a_batch() {
  std::vector<WedgeStep> steps;
  for (const auto& [m, d] : std::vector<std::pair<double, double>>{
           {0, 0.04}, {0.5, 0.2}, {1, 0.33}, {2, 0.52}, {4, 0.78}, {8, 1.07}, {16, 1.3}}) {
    WedgeStep s;
    s.time = BiteTime::minutes(m);
    s.density = Density::of(d);
    s.sd = 0.012;
    steps.push_back(s);
  }
  return Batch{.name = "No. 7 \"quoted\"",
               .mordant = "ferric chloride",
               .strength = "38 Be",
               .metal = "copper",
               .ground = "rosin",
               .temperature_c = 20.5,
               .bitten_on = "2026-03-01",
               .impressions = 3,
               .steps = steps,
               .curve = fit_curve(steps)->curve,
               .solid = Density::of(1.55),
               .noise_density = 0.017,
               .overlap = {0.83, 0.06, true},
               .notes = {"a note"}};
}

TEST(BatchJson, ReadsBackTheSame) {
  const Batch b = a_batch();
  const std::string text = to_json(b);
  const auto back = batch_from_json(text, "x.batch.json");
  ASSERT_TRUE(back) << back.error().what;
  EXPECT_EQ(to_json(*back), text);
  EXPECT_EQ(back->name, b.name);
  EXPECT_EQ(back->overlap.q, b.overlap.q);
  EXPECT_TRUE(back->overlap.measured);
  EXPECT_EQ(back->curve.table().density, b.curve.table().density);
}

// The paper of its scans comes back, and what one impression cannot tell stays untold.
TEST(BatchJson, PaperAndSpreadsComeBackOrAreNull) {
  Batch b = a_batch();
  EXPECT_EQ(to_json(b).find("paper_reflectance"), std::string::npos);
  EXPECT_NE(to_json(b).find("\"between_sd\": null"), std::string::npos);
  EXPECT_FALSE(batch_from_json(to_json(b), "x")->steps[1].between_sd);
  b.paper_reflectance = 0.83;
  b.paper_unevenness = 0.07;
  b.steps[1].between_sd = 0.011;
  b.steps[1].place = 2;
  b.steps[1].trimmed_mm = 1.5;
  const auto back = batch_from_json(to_json(b), "x");
  ASSERT_TRUE(back) << back.error().what;
  EXPECT_EQ(back->paper_reflectance, 0.83);
  EXPECT_EQ(back->paper_unevenness, 0.07);
  ASSERT_TRUE(back->steps[1].between_sd);
  EXPECT_EQ(*back->steps[1].between_sd, 0.011);
  EXPECT_EQ(back->steps[1].trimmed_mm, 1.5);
  b.paper_reflectance = 3;  // no paper
  EXPECT_FALSE(batch_from_json(to_json(b), "x"));
}

// How the wedge was read is recorded; a file from before that says nothing of it.
TEST(BatchJson, TellsItsScannerCurve) {
  Batch b = a_batch();
  EXPECT_EQ(to_json(b).find("\"scanner\""), std::string::npos);
  EXPECT_FALSE(batch_from_json(to_json(b), "x")->scanner.recorded);
  b.scanner = {true, "", ""};
  const auto without = batch_from_json(to_json(b), "x");
  ASSERT_TRUE(without);
  EXPECT_TRUE(without->scanner.recorded);
  EXPECT_EQ(without->scanner.curve, "");
  b.scanner = {true, "flatbed.scanner.json", std::string(64, 'a')};
  const std::string text = to_json(b);
  const auto with = batch_from_json(text, "x");
  ASSERT_TRUE(with);
  EXPECT_EQ(with->scanner.curve, "flatbed.scanner.json");
  EXPECT_EQ(with->scanner.sha256, std::string(64, 'a'));
  EXPECT_EQ(to_json(*with), text);
  b.scanner.sha256 = "abc";
  EXPECT_FALSE(batch_from_json(to_json(b), "x"));
  b.scanner = {true, "f", std::string(64, 'G')};
  EXPECT_FALSE(batch_from_json(to_json(b), "x"));
}

TEST(BatchJson, RefusesWithTheFilesName) {
  std::string text = to_json(a_batch());
  const auto broken = [&](const std::string& from, const std::string& to) {
    std::string t = text;
    t.replace(t.find(from), from.size(), to);
    return batch_from_json(t, "x.batch.json");
  };
  for (const auto& r : {batch_from_json("", "x.batch.json"),
                        batch_from_json("[1]", "x.batch.json"),
                        broken("rebite-batch", "rebite-plan"),
                        broken("\"version\": 1", "\"version\": 2"),
                        broken("\"kind\": \"saturating\"", "\"kind\": 3"),
                        broken("\"useful_until_minutes\": ", "\"useful_until_minutes\": 9"),
                        broken("\"solid_density\": 1.55", "\"solid_density\": 0.5")}) {
    ASSERT_FALSE(r);
    EXPECT_EQ(r.error().kind, ProblemKind::data);
    EXPECT_NE(r.error().what.find("x.batch.json"), std::string::npos);
    EXPECT_FALSE(r.error().next.empty());
  }
}

// Demichel: half the land left by either ground leaves a quarter (Westland & Ripamonti,
// Computational Colour Science Using MATLAB, p. 147: coverages multiply as independent shares).
TEST(Overlap, LandMultiplies) {
  const Density solid = Density::of(1.5);
  const Density half = density_of_coverage(0.5, solid);
  EXPECT_NEAR(coverage(overlaid(half, half, solid, 1), solid), 0.75, 1e-12);
  EXPECT_NEAR(coverage(overlaid(half, half, solid, 2), solid), 0.875, 1e-12);
  const auto fresh = fresh_tone_for(half, density_of_coverage(0.75, solid), solid, 1);
  ASSERT_TRUE(fresh);
  EXPECT_NEAR(fresh->value(), half.value(), 1e-12);
  EXPECT_FALSE(fresh_tone_for(half, Density::of(0.01), solid, 1));
  EXPECT_FALSE(fresh_tone_for(half, solid, solid, 1));
  const Density film = Density::of(0.04);
  EXPECT_NEAR(overlaid(half, film, solid, 1, film).value(), half.value(), 1e-12);
}

// A ladder of 15 s, each next doubled (trade.md S1): as dips the seventh step has 31 min 45 s in
// all, as totals 16 min.
TEST(Dips, ADoublingLadderOfDips) {
  std::vector<BiteTime> dips;
  for (int k = 0; k < 7; ++k) dips.push_back(BiteTime::seconds(15 * std::pow(2, k)));
  const auto totals = totals_from_dips(dips);
  ASSERT_TRUE(totals);
  EXPECT_DOUBLE_EQ(totals->back().in_seconds(), 31 * 60 + 45);
  EXPECT_EQ(clock_text(totals->back()), "31:45");
  EXPECT_DOUBLE_EQ(dips.back().in_minutes(), 16);
  EXPECT_FALSE(totals_from_dips({}));
  EXPECT_FALSE(totals_from_dips({BiteTime::seconds(15), BiteTime::seconds(0)}));
}

}  // namespace
}  // namespace rebite::wedge

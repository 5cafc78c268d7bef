#include "plan/conditions.h"

#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "tests/plan/hand_batch.h"

namespace rebite::plan {
namespace {

using ::testing::HasSubstr;
using ::testing::Not;

Temperature c(double celsius) { return Temperature::celsius(celsius); }

// Bryce & Berk, Ind. Eng. Chem. Res. 34(4) (1995) 1412-1418: rate constants at 30, 40, 50 C.
const std::vector<RateAt> bryce_berk = {{30, 0.2039}, {40, 0.3083}, {50, 0.3362}};

TEST(Arrhenius, BryceAndBerk) {
  const ArrheniusFit fit = fit_arrhenius(bryce_berk);
  EXPECT_NEAR(fit.energy_kj_mol, 20.50, 0.01);
  EXPECT_NEAR(fit.ln_a, 6.59344, 1e-3);
  EXPECT_NEAR(fit.fitted[0], 0.21438, 1e-5);
  EXPECT_NEAR(fit.fitted[1], 0.27796, 1e-5);
  EXPECT_NEAR(fit.fitted[2], 0.35466, 1e-5);
  EXPECT_TRUE(fit.poor);
  EXPECT_NEAR(fit_arrhenius({bryce_berk[0], bryce_berk[1]}).energy_kj_mol, 32.63, 0.01);
  EXPECT_NEAR(fit_arrhenius({bryce_berk[1], bryce_berk[2]}).energy_kj_mol, 7.29, 0.01);
  EXPECT_NEAR(fit_arrhenius({bryce_berk[0], bryce_berk[2]}).energy_kj_mol, 20.37, 0.01);
  // Rates that do lie on a line are not called poor.
  std::vector<RateAt> straight;
  for (const double t : {10.0, 20.0, 30.0, 40.0}) {
    straight.push_back({t, std::exp(5 - 30000 / gas_constant / (t + 273.15))});
  }
  const ArrheniusFit good = fit_arrhenius(straight);
  EXPECT_NEAR(good.energy_kj_mol, 30, 1e-6);
  EXPECT_FALSE(good.poor);
}

// checks.md H1, H2: a bath ten degrees warmer works 1.32 times as fast at 20.5 kJ/mol, and nitric
// acid on copper 1.752 times (exp(-4983/T), 41.43 kJ/mol); 4.38 times from 5 to 30 C, where Lalanne
// (1880) says 4 to 5 times longer in winter.
TEST(Arrhenius, FactorOfTenDegrees) {
  EXPECT_NEAR(1 / temperature_factor({.best_kj_mol = 20.5}, c(20), c(30)).value, 1.32, 0.005);
  EXPECT_NEAR(1 / temperature_factor({.best_kj_mol = 41.43}, c(20), c(30)).value, 1.752, 0.001);
  const double winter = temperature_factor({.best_kj_mol = 41.43}, c(30), c(5)).value;
  EXPECT_NEAR(winter, 4.38, 0.02);
  EXPECT_GT(winter, 4);
  EXPECT_LT(winter, 5);
}

TEST(Arrhenius, DoubtGrowsWithTheDistance) {
  const ActivationEnergy e{.best_kj_mol = 20.5, .sd_kj_mol = 7};
  double before = 0;
  for (const double warmer : {0.0, 1.0, 2.0, 4.0, 8.0}) {
    const TimeFactor f = temperature_factor(e, c(20), c(20 + warmer));
    EXPECT_GT(f.ln_sd, before);
    before = f.ln_sd;
    EXPECT_EQ(f.new_wedge, warmer >= 4);
    // The factor and its range are told as soon as there is one; a wedge is asked for later.
    ASSERT_EQ(f.notes.empty(), warmer == 0);
    if (warmer == 0) continue;
    EXPECT_THAT(f.notes[0], HasSubstr(fmt::format("{:.2f}", f.value)));
    EXPECT_THAT(f.notes[0], HasSubstr(fmt::format("to {:.2f})", f.value * std::exp(1.645 * f.ln_sd))));
    EXPECT_EQ(f.notes[0].find("new wedge") != std::string::npos, warmer >= 4);
  }
  EXPECT_EQ(temperature_factor(e, c(20), c(20)).value, 1);
}

TEST(Mordants, TheTableIsWhole) {
  const MordantTable& table = mordant_table();
  ASSERT_GE(table.known.size(), 5u);
  for (const Mordant& m : table.known) {
    EXPECT_FALSE(m.aliases.empty()) << m.name;
    EXPECT_FALSE(m.energy.source.empty()) << m.name;
    EXPECT_FALSE(m.cautions.empty()) << m.name;
    EXPECT_LE(m.energy.low_kj_mol, m.energy.best_kj_mol) << m.name;
    EXPECT_GE(m.energy.high_kj_mol, m.energy.best_kj_mol) << m.name;
    EXPECT_GT(m.energy.sd_kj_mol, 0) << m.name;
    if (m.window) {
      EXPECT_FALSE(m.window->source.empty()) << m.name;
    }
    for (const std::string& caution : m.cautions) EXPECT_LT(caution.size(), 300u) << m.name;
  }
  EXPECT_NEAR(find_mordant("ferric chloride")->energy.best_kj_mol, 20.50, 0.01);
  EXPECT_TRUE(find_mordant("ferric chloride")->energy.poor_fit);
}

TEST(Mordants, AreFoundInFreeText) {
  EXPECT_EQ(find_mordant("FERRIC Chloride, 42 Be")->name, "ferric chloride");
  EXPECT_EQ(find_mordant("Edinburgh etch (ferric + citric)")->name, "Edinburgh etch");
  EXPECT_EQ(find_mordant("HNO3 1:8")->name, "nitric acid");
  EXPECT_EQ(find_mordant("Dutch")->name, "Dutch mordant");
  EXPECT_EQ(find_mordant("tap water"), nullptr);
  EXPECT_EQ(find_mordant(""), nullptr);
}

TEST(Mordants, ABrokenTableIsRefused) {
  EXPECT_FALSE(mordants_from_json("{"));
  EXPECT_FALSE(mordants_from_json(R"({"format":"else","version":1})"));
  EXPECT_FALSE(mordants_from_json(R"({"format":"rebite-mordants","version":1})"));
}

wedge::Batch three_step_batch() { return batch_through({0, 5, 20}, {0.04, 0.6, 1.2}, 0.01, 1.5); }

TEST(Conditions, AsTheWedgeChangesNothing) {
  const Conditions all = conditions_of(three_step_batch(), {});
  EXPECT_EQ(all.all.value, 1);
  EXPECT_EQ(all.all.ln_sd, 0);
  EXPECT_TRUE(all.all.notes.empty());
}

TEST(Conditions, AgeAndPlatesWidenAndThenAskForAWedge) {
  const Conditions young = conditions_of(three_step_batch(), {.days_since_wedge = 3, .plates_since_wedge = 2});
  EXPECT_EQ(young.all.value, 1);
  EXPECT_GT(young.all.ln_sd, 0.02);
  EXPECT_FALSE(young.all.new_wedge);
  // 2 plates at 1.5 %, 3 days at 0.4 %: 4.2 %, of which the 90 % range is 7 %.
  ASSERT_EQ(young.all.notes.size(), 1u);
  EXPECT_THAT(young.all.notes[0], HasSubstr("2 plates and 3 days since the wedge"));
  EXPECT_THAT(young.all.notes[0], HasSubstr("up to 7 %"));
  const Conditions old = conditions_of(three_step_batch(), {.days_since_wedge = 5, .plates_since_wedge = 12});
  EXPECT_GT(old.all.ln_sd, young.all.ln_sd);
  EXPECT_TRUE(old.all.new_wedge);
  ASSERT_EQ(old.all.notes.size(), 1u);
  EXPECT_THAT(old.all.notes[0], HasSubstr("new wedge"));
  EXPECT_THAT(old.all.notes[0], HasSubstr("12 plates and 5 days"));
  EXPECT_LE(conditions_of(three_step_batch(), {.days_since_wedge = 1e6}).all.ln_sd, 0.3);
}

TEST(Conditions, WindowAndUnknownMordantAreSaid) {
  wedge::Batch edinburgh = three_step_batch();
  edinburgh.mordant = "Edinburgh etch";
  const auto cold = conditions_of(edinburgh, {.temperature = c(14)});
  EXPECT_THAT(cold.all.notes, ::testing::Contains(HasSubstr("18 to 30 C")));
  wedge::Batch secret = three_step_batch();
  secret.mordant = "the old man's brew";
  const auto guess = conditions_of(secret, {.temperature = c(23)});
  EXPECT_THAT(guess.all.notes, ::testing::Contains(HasSubstr("not known")));
  EXPECT_GT(guess.all.ln_sd, conditions_of(three_step_batch(), {.temperature = c(23)}).all.ln_sd);
  wedge::Batch undated = three_step_batch();
  undated.temperature_c.reset();
  const auto blind = conditions_of(undated, {.temperature = c(23)});
  EXPECT_EQ(blind.all.value, 1);
  EXPECT_GT(blind.all.ln_sd, 0.05);
}

TEST(Conditions, LearnedSpeedMultipliesTime) {
  const Conditions slow =
      conditions_of(three_step_batch(), {.temperature = c(25), .speed = 1.2, .speed_sd = 0.05});
  EXPECT_NEAR(slow.all.value, 1.2 * slow.temperature_alone.value, 1e-12);
  EXPECT_LT(slow.temperature_alone.value, 1);
  EXPECT_GT(slow.all.ln_sd, slow.temperature_alone.ln_sd);
}

// 500 cm2, half open, 15 um deep: 3.4 g (arithmetic of the trade notes); at 1.5 um per minute that
// is ten minutes.
TEST(Conditions, CopperTaken) { EXPECT_NEAR(copper_taken_g(50000 * 10), 3.36, 0.01); }

}  // namespace
}  // namespace rebite::plan

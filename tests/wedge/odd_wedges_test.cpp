// Wedges gone wrong, as numbers: refused with the step or the reason named, or fitted with no more
// than the steps say. No curve ever falls, leaves its steps' range by more than their noise, or
// gives a negative time.
#include <gtest/gtest.h>

#include <cmath>
#include <limits>

#include "wedge/fit_curve.h"
#include "wedge/make_batch.h"

namespace rebite::wedge {
namespace {

constexpr double nan = std::numeric_limits<double>::quiet_NaN();
constexpr double inf = std::numeric_limits<double>::infinity();

struct OddWedge {
  std::string name;
  std::vector<std::pair<double, double>> steps;  // minutes, density
  double sd = 0.012;
  enum { refused, fitted, either } wanted = refused;
  std::vector<std::string> told = {};  // in the refusal, or in one of the notes
};
void PrintTo(const OddWedge& w, std::ostream* out) { *out << w.name; }

std::vector<WedgeStep> steps_of(const OddWedge& w) {
  std::vector<WedgeStep> steps;
  for (const auto& [minutes, density] : w.steps) {
    WedgeStep s;
    s.time = BiteTime::minutes(minutes);
    s.density = Density::of(density);
    s.sd = w.sd;
    steps.push_back(s);
  }
  return steps;
}

class OddWedges : public testing::TestWithParam<OddWedge> {};

TEST_P(OddWedges, AreRefusedByNameOrFittedWithinTheirSteps) {
  const OddWedge& w = GetParam();
  const auto fitted = fit_curve(steps_of(w));
  std::string said;
  if (fitted) {
    for (const auto& note : fitted->summary.notes) said += note + "\n";
  } else {
    said = fitted.error().what + "\n" + fitted.error().next;
    EXPECT_EQ(fitted.error().kind, ProblemKind::data);
    EXPECT_FALSE(fitted.error().next.empty());
  }
  if (w.wanted != OddWedge::either) {
    EXPECT_EQ(fitted.has_value(), w.wanted == OddWedge::fitted) << said;
  }
  for (const auto& word : w.told) {
    EXPECT_NE(said.find(word), std::string::npos) << word << " is not in:\n" << said;
  }
  if (!fitted) return;
  double low = inf, high = -inf;
  for (const auto& [minutes, density] : w.steps) {
    low = std::min(low, density);
    high = std::max(high, density);
  }
  const ToneCurve& curve = fitted->curve;
  const double end = w.steps.back().first;
  double before = -inf;
  for (int k = 0; k <= 400; ++k) {
    const auto t = BiteTime::minutes(end * 1.5 * k / 400);
    const double d = curve.at(t).value();
    ASSERT_TRUE(std::isfinite(d) && std::isfinite(curve.sd_at(t))) << t.in_minutes();
    EXPECT_GE(d, before - 1e-12);
    EXPECT_GT(d, std::min(0.0, low) - 0.06);
    EXPECT_LT(d, high + 0.06);
    before = d;
    if (const auto back = curve.time_for(Density::of(d))) {
      EXPECT_GE(back->in_minutes(), 0);
      EXPECT_LE(back->in_minutes(), end + 1e-9);
    }
  }
  EXPECT_LE(curve.useful_until().in_minutes(), end + 1e-9);
  EXPECT_GT(curve.useful_until().in_minutes(), 0);
}

// The plain ladder that the cases below spoil: D = 0.04 + 1.3 (1 - exp(-t / 5)).
std::vector<std::pair<double, double>> plain() {
  std::vector<std::pair<double, double>> steps;
  for (const double t : {0.0, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0}) {
    steps.emplace_back(t, 0.04 + 1.3 * (1 - std::exp(-t / 5)));
  }
  return steps;
}
std::vector<std::pair<double, double>> plain_but(
    std::initializer_list<std::pair<std::size_t, double>> changes) {
  auto steps = plain();
  for (const auto& [at, density] : changes) steps[at].second = density;
  return steps;
}
std::vector<std::pair<double, double>> at_times(const std::vector<double>& times) {
  auto steps = plain();
  for (std::size_t i = 0; i < times.size(); ++i) steps[i].first = times[i];
  return steps;
}
std::vector<std::pair<double, double>> many(int n) {
  std::vector<std::pair<double, double>> steps;
  for (int i = 0; i < n; ++i) steps.emplace_back(i, 0.04 + 1.3 * (1 - std::exp(-i / 8.0)));
  return steps;
}

INSTANTIATE_TEST_SUITE_P(
    Cases,
    OddWedges,
    testing::Values(
        OddWedge{"nothing", {}},
        OddWedge{"one_step", {{1, 0.4}}},
        OddWedge{"two_steps_only", {{0, 0.05}, {4, 0.8}}, 0.012, OddWedge::refused, {"3"}},
        OddWedge{"thirty_one_steps", many(31)},
        OddWedge{"thirty_steps", many(30), 0.012, OddWedge::fitted},
        OddWedge{"all_equal",
                 plain_but({{0, 0.3}, {1, 0.3}, {2, 0.3}, {3, 0.3}, {4, 0.3}, {5, 0.3}, {6, 0.3}}),
                 0.012,
                 OddWedge::refused,
                 {"does not darken"}},
        OddWedge{"all_equal_but_noise",
                 plain_but({{0, 0.300},
                            {1, 0.310},
                            {2, 0.295},
                            {3, 0.304},
                            {4, 0.301},
                            {5, 0.297},
                            {6, 0.308}}),
                 0.012,
                 OddWedge::refused,
                 {"does not darken"}},
        OddWedge{
            "full_black_from_the_first_dip",
            plain_but(
                {{0, 1.38}, {1, 1.39}, {2, 1.39}, {3, 1.40}, {4, 1.39}, {5, 1.40}, {6, 1.40}})},
        // Both were fitted, with a tone that is full after six seconds and a narrow band.
        OddWedge{"bare_then_black",
                 plain_but({{1, 1.38}, {2, 1.39}, {3, 1.40}, {4, 1.39}, {5, 1.40}, {6, 1.40}}),
                 0.012,
                 OddWedge::refused,
                 {"as dark as the last", "shorter times"}},
        OddWedge{"bare_then_black_no_spread",
                 {{0, 0.05}, {1, 1.24}, {2, 1.24}, {4, 1.24}, {8, 1.24}},
                 0,
                 OddWedge::refused,
                 {"as dark as the last"}},
        // No form can be computed from a jump: the curve goes from step to step.
        OddWedge{"bare_bare_black", {{0, 0.05}, {1.29, 0.05}, {3.139, 1.2}}, 0.012, OddWedge::fitted},
        OddWedge{
            "bare_bare_black_no_spread", {{0, 0.05}, {1.29, 0.05}, {3.139, 1.2}}, 0, OddWedge::fitted},
        // With a late start one step more is fixed by nothing: the plain form stays.
        OddWedge{"black_at_the_last_step_only",
                 {{0, 0.05}, {2, 0.05}, {3.3, 0.05}, {9.2, 0.05}, {15, 0.05}, {28, 0.05}, {77, 1.14}},
                 0.012,
                 OddWedge::fitted},
        // Two steps stopped out together: the later time shows no more tone than the one before.
        OddWedge{"double_step",
                 plain_but({{4, 0.04 + 1.3 * (1 - std::exp(-2 / 5.0))}}),
                 0.012,
                 OddWedge::either},
        OddWedge{"two_steps_swapped",
                 plain_but({{3, 0.756}, {4, 0.469}}),
                 0.012,
                 OddWedge::refused,
                 {"4:00", "2:00", "out of order"}},
        // Foul bite: the ground gave way over one light step.
        OddWedge{"foul_bite_on_a_light_step",
                 plain_but({{1, 0.95}}),
                 0.012,
                 OddWedge::refused,
                 {"0:30", "out of order"}},
        OddWedge{"foul_bite_on_the_unbitten_step",
                 plain_but({{0, 0.6}}),
                 0.012,
                 OddWedge::refused,
                 {"0:00", "out of order"}},
        OddWedge{"reversed", {{0, 1.3}, {1, 1.1}, {2, 0.8}, {4, 0.5}, {8, 0.2}, {16, 0.05}}},
        OddWedge{"a_fall_within_the_noise", plain_but({{6, 1.08}}), 0.03, OddWedge::fitted},
        OddWedge{"clipped_blacks",
                 plain_but({{4, 0.70}, {5, 0.70}, {6, 0.70}}),
                 0.012,
                 OddWedge::either},
        OddWedge{"lighter_than_paper", plain_but({{0, -0.02}, {1, 0.10}}), 0.012, OddWedge::fitted},
        OddWedge{"not_a_number", plain_but({{3, nan}})},
        OddWedge{"no_end", plain_but({{6, inf}})},
        OddWedge{"below_all_end", plain_but({{0, -inf}})},
        OddWedge{"far_too_dark", plain_but({{6, 1e308}})},
        OddWedge{"times_equal", at_times({0, 0.5, 1, 1, 4, 8, 16})},
        OddWedge{"times_fall", at_times({0, 0.5, 1, 4, 2, 8, 16})},
        OddWedge{"a_negative_time", at_times({-1, 0.5, 1, 2, 4, 8, 16})},
        OddWedge{"time_not_a_number", at_times({0, 0.5, nan, 2, 4, 8, 16})},
        OddWedge{"times_without_end", at_times({0, 0.5, 1, 2, 4, 8, inf})},
        OddWedge{"a_time_of_a_million_minutes",
                 at_times({0, 0.5, 1, 2, 4, 8, 1e6}),
                 0.012,
                 OddWedge::either},
        OddWedge{"wrong_batch_all_twice_as_slow_is_a_wedge_too",
                 at_times({0, 1, 2, 4, 8, 16, 32}),
                 0.012,
                 OddWedge::fitted},
        OddWedge{"spread_not_a_number", plain(), nan, OddWedge::either},
        OddWedge{"no_spread", plain(), 0, OddWedge::fitted}),
    [](const auto& test) { return test.param.name; });

TEST(OddDips, ThatSumToNoTotals) {
  const auto list = [](std::initializer_list<double> minutes) {
    std::vector<BiteTime> dips;
    for (const double m : minutes) dips.push_back(BiteTime::minutes(m));
    return dips;
  };
  EXPECT_FALSE(totals_from_dips({}));
  EXPECT_FALSE(totals_from_dips(list({0, 1, 0, 2})));
  EXPECT_FALSE(totals_from_dips(list({1, -2, 4})));
  EXPECT_FALSE(totals_from_dips(list({1, nan, 4})));
  const auto good = totals_from_dips(list({0, 1, 1, 2}));
  ASSERT_TRUE(good);
  EXPECT_EQ(good->back(), BiteTime::minutes(4));
}

}  // namespace
}  // namespace rebite::wedge

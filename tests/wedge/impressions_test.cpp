// Several impressions of one wedge, as numbers: what their spread may tell, and either way up.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <functional>
#include <numbers>

#include "tests/support/chance.h"
#include "tests/support/waves.h"
#include "tests/wedge/made_wedge.h"
#include "tests/wedge/wiped_print.h"
#include "wedge/make_batch.h"
#include "wedge/wiping.h"

namespace rebite::wedge {
namespace {

using testing::HasSubstr;

maker::WedgeSpec nine_steps() {
  maker::WedgeSpec spec;
  spec.minutes = {0, 0.25, 0.5, 1, 2, 4, 8, 12, 16};
  return spec;
}

std::vector<FoundStep> print_of(const maker::WedgeSpec& spec, std::uint64_t seed) {
  maker::Impression sheet;
  sheet.seed = seed;
  sheet.wiping_density = 0.02;
  return wiped_steps(spec, sheet);
}

double band_at(const Batch& batch, double minutes) {
  return batch.curve.sd_at(BiteTime::minutes(minutes));
}

// A scan repeated differs by the scanner's noise only: taken as two prints it made the band 15
// times too narrow.
TEST(Impressions, OnePrintScannedTwiceMakesNoCertainty) {
  const auto spec = nine_steps();
  const auto times = minutes_list(spec.minutes);
  const auto one = print_of(spec, 5);
  auto again = one;
  for (FoundStep& s : again) s.tone.density = s.tone.density + ToneGap::of(0.0002);
  const auto single = make_batch({one}, times, {});
  const auto twice = make_batch({one, again}, times, {});
  ASSERT_TRUE(single && twice);
  for (const double t : {0.5, 2.0, 8.0}) {
    EXPECT_GT(band_at(*twice, t), 0.4 * band_at(*single, t)) << t;
  }
  EXPECT_GT(twice->noise_density, 0.4 * assumed_print_spread);
  EXPECT_THAT(twice->notes, testing::Contains(HasSubstr("scans of one print")));
  const auto prints = make_batch({one, print_of(spec, 6), print_of(spec, 7)}, times, {});
  ASSERT_TRUE(prints);
  EXPECT_THAT(prints->notes, testing::Not(testing::Contains(HasSubstr("scans of one print"))));
}

TEST(Impressions, EitherWayUpOnTheScanner) {
  const auto spec = nine_steps();
  const auto times = minutes_list(spec.minutes);
  std::vector<std::vector<FoundStep>> all{print_of(spec, 5), print_of(spec, 6), print_of(spec, 7)};
  const auto alike = make_batch(all, times, {});
  ASSERT_TRUE(alike) << alike.error().what;
  for (const std::size_t turned : {0U, 1U, 2U}) {
    auto some = all;
    std::reverse(some[turned].begin(), some[turned].end());
    const auto batch = make_batch(some, times, {});
    ASSERT_TRUE(batch) << batch.error().what;
    for (std::size_t i = 0; i < times.size(); ++i) {
      EXPECT_NEAR(batch->steps[i].density.value(), alike->steps[i].density.value(), 1e-12);
      EXPECT_NEAR(*batch->steps[i].between_sd, *alike->steps[i].between_sd, 1e-12);
    }
  }
}

// The last step is lighter, within what wiping may do: not read as an end that rises.
TEST(Impressions, ALighterLastStepIsToldAsPerhapsOverBitten) {
  auto spec = nine_steps();
  auto steps = print_of(spec, 5);
  const double peak = steps[7].tone.density.value();
  steps[8].tone.density = Density::of(peak - 0.065);
  steps[8].darkest_spots = steps[8].tone.density;
  const auto batch = make_batch({steps}, minutes_list(spec.minutes), {});
  ASSERT_TRUE(batch) << batch.error().what;
  EXPECT_THAT(batch->notes, testing::Contains(HasSubstr("over-bitten")));
}

// The last time was forgotten: each step got the time of its neighbour. The lightest, said to be
// unbitten, is hardly darker than the metal but shows the grain of a bite.
TEST(Impressions, ABittenStepGivenAsUnbittenIsToldByItsGrain) {
  const auto spec = nine_steps();
  auto steps = print_of(spec, 5);
  FoundStep& lightest = steps.front();
  lightest.metal = Density::of(lightest.tone.density.value() - 0.04);
  lightest.metal_grain_sd = 0.01;
  lightest.tone.grain_sd = 0.2;
  const auto bitten = make_batch({steps}, minutes_list(spec.minutes), {});
  ASSERT_FALSE(bitten);
  EXPECT_THAT(bitten.error().what, HasSubstr("it was bitten"));
  lightest.tone.grain_sd = 0.02;  // as smooth as the metal: wiped a little less
  const auto smooth = make_batch({steps}, minutes_list(spec.minutes), {});
  EXPECT_TRUE(smooth) << smooth.error().what;
}

TEST(Impressions, APrintOfAnotherWedgeIsNamed) {
  const auto spec = nine_steps();
  auto other = print_of(spec, 7);
  for (FoundStep& s : other) s.tone.density = Density::of(0.8 * s.tone.density.value());
  const auto batch =
      make_batch({print_of(spec, 5), print_of(spec, 6), other}, minutes_list(spec.minutes), {});
  ASSERT_TRUE(batch) << batch.error().what;
  EXPECT_THAT(batch->notes, testing::Contains(HasSubstr("number 3 of them strays most")));
}

TEST(Impressions, AScanWithoutPaperIsTold) {
  const auto spec = nine_steps();
  auto steps = print_of(spec, 5);
  const double metal = steps.front().tone.density.value();
  const auto usual = make_batch({steps}, minutes_list(spec.minutes), {});
  for (FoundStep& s : steps) s.tone.density = Density::of(s.tone.density.value() - metal);
  const auto cut = make_batch({steps}, minutes_list(spec.minutes), {});
  ASSERT_TRUE(usual && cut);
  EXPECT_THAT(cut->notes, testing::Contains(HasSubstr("the scan shows no paper")));
  EXPECT_THAT(usual->notes, testing::Not(testing::Contains(HasSubstr("the scan shows no paper"))));
}

// Against pairs of places drawn at random within the shape: what they share, and how far apart they
// are. Each shape is held against the disc whose places are as far apart.
struct Shape {
  const char* name;
  double width, height;  // mm, of the box around it
  std::function<bool(double, double)> holds;
};
struct Pairs {
  double shared, mean_distance, area;
};
Pairs pairs_within(const Shape& shape) {
  maker::Chance chance(3);
  double drawn = 0, inside = 0;
  const auto place = [&] {
    for (;;) {
      const double x = chance.uniform(0, shape.width), y = chance.uniform(0, shape.height);
      drawn += 1;
      if (!shape.holds(x, y)) continue;
      inside += 1;
      return std::array{x, y};
    }
  };
  double shared = 0, logs = 0;
  constexpr int pairs = 40000;
  for (int k = 0; k < pairs; ++k) {
    const auto a = place(), b = place();
    shared += wiping_correlation(2, {a, b})(0, 1) / (1 - own_wiping_share);
    logs += std::log(std::hypot(a[0] - b[0], a[1] - b[1]));
  }
  return {shared / pairs, std::exp(logs / pairs), shape.width * shape.height * inside / drawn};
}
Shape disc(double mm2) {
  const double radius = std::sqrt(mm2 / std::numbers::pi);
  return {"disc", 2 * radius, 2 * radius, [radius](double x, double y) {
            return std::hypot(x - radius, y - radius) <= radius;
          }};
}
double share_by_pairs(const Pairs& p) {
  constexpr double step_mm2 = usual_step_mm * usual_step_mm;
  const double own = own_wiping_share * std::min(1.0, step_mm2 / p.area);
  return (1 - own_wiping_share) * p.shared + own;
}

TEST(PrintSpread, OfAnAreaIsTheMeanOfWhatItsPlacesShare) {
  constexpr double step_mm2 = usual_step_mm * usual_step_mm;
  const double step = share_by_pairs(pairs_within(disc(step_mm2)));
  for (const double mm2 : {20.0, 225.0, 1000.0, 8000.0}) {
    const Pairs p = pairs_within(disc(mm2));
    const double expected = std::max(least_print_share, std::sqrt(share_by_pairs(p) / step));
    EXPECT_NEAR(mean_distance_of_disc(mm2), p.mean_distance, 0.01 * p.mean_distance) << mm2;
    EXPECT_NEAR(print_spread_share(mm2, mean_distance_of_disc(mm2)), expected, 0.01) << mm2;
  }
  EXPECT_NEAR(print_spread_share(step_mm2, mean_distance_of_disc(step_mm2)), 1, 1e-12);
}

TEST(PrintSpread, OfLongAndBrokenShapesToo) {
  const auto whole = [](double, double) { return true; };
  const double step = share_by_pairs(pairs_within(disc(usual_step_mm * usual_step_mm)));
  for (const Shape& s :
       {Shape{"square", 30, 30, whole},
        Shape{"strip", 60, 3, whole},
        Shape{"short strip", 30, 10, whole},
        Shape{"angle", 40, 40, [](double x, double y) { return x < 5 || y < 5; }},
        Shape{"ring",
              36,
              36,
              [](double x, double y) {
                const double r = std::hypot(x - 18, y - 18);
                return r < 18 && r > 14;
              }},
        Shape{"islands", 40, 8, [](double x, double) { return x < 8 || x > 32; }}}) {
    const Pairs p = pairs_within(s);
    const double expected = std::sqrt(share_by_pairs(p) / step);
    ASSERT_GT(expected, least_print_share + 0.01) << s.name;
    // Broken ones may be told too large by more: pieces apart share less than the disc has it.
    const double told = print_spread_share(p.area, p.mean_distance);
    EXPECT_GE(told, expected - 0.03) << s.name;
    EXPECT_LE(told, expected + (std::string(s.name) == "islands" ? 0.08 : 0.03)) << s.name;
  }
}

// The plate maker's wiping (waves of 35 to 150 mm, its own choice) averages out at least as fast:
// the spread told of an area's mean is no less than it is.
TEST(PrintSpread, OfAnAreaIsNotToldTooSmall) {
  const auto spread_over = [](double side_mm) {
    double squares = 0;
    constexpr int prints = 400, per_side = 12;
    for (std::uint64_t seed = 1; seed <= prints; ++seed) {
      const maker::Waves wiping(seed, 35, 150);
      double mean = 0;
      for (int i = 0; i < per_side * per_side; ++i) {
        mean += wiping.unit_sd(60 + side_mm * (i % per_side + 0.5) / per_side,
                               60 + side_mm * (i / per_side + 0.5) / per_side);
      }
      mean /= per_side * per_side;
      squares += mean * mean;
    }
    return std::sqrt(squares / prints);
  };
  const double step = spread_over(usual_step_mm);
  for (const double mm2 : {400.0, 1000.0, 3000.0}) {
    const double told = print_spread_share(mm2, mean_distance_of_disc(mm2));
    EXPECT_LE(spread_over(std::sqrt(mm2)) / step, told + 0.01) << mm2;
  }
}

}  // namespace
}  // namespace rebite::wedge

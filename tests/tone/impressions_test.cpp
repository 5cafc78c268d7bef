// Further impressions of the proof's state: what they bring, and sheets that are none.
#include "tone/impressions.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <vector>

#include "tests/support/chance.h"
#include "tests/tone/compare.h"
#include "tests/tone/made_pair.h"
#include "tone/region_map.h"

namespace rebite::tone {
namespace {

constexpr SizeMm kPlateSize{96, 72};

// How far the mean tone found in an area lies from what the plate prints there on average, rms over
// the areas.
double tone_error(const RegionMap& map, const maker::Scene& scene) {
  std::vector<double> sum(scene.areas.size() + 1), n(scene.areas.size() + 1);
  const double s = map.grid.px_per_mm / scene.px_per_mm;
  for (int r = 8; r < scene.labels.rows - 8; ++r) {
    for (int c = 8; c < scene.labels.cols - 8; ++c) {
      const float now = map.now(static_cast<int>((r + 0.5) * s), static_cast<int>((c + 0.5) * s));
      if (!std::isfinite(now) || scene.strokes(r, c)) continue;
      sum[scene.labels(r, c)] += static_cast<double>(now - scene.printed_density(r, c));
      n[scene.labels(r, c)] += 1;
    }
  }
  double squares = 0, all = 0;
  for (std::size_t k = 1; k < sum.size(); ++k) {
    if (n[k] < 100) continue;
    squares += sum[k] / n[k] * sum[k] / n[k];
    all += 1;
  }
  return std::sqrt(squares / all);
}

cv::Mat1f print_of(const maker::Plate& plate,
                   std::uint64_t seed,
                   double wiping,
                   double gain,
                   double plate_tone = 0.02) {
  maker::PairSpec spec;
  spec.plate_tone = plate_tone;
  spec.wiping = wiping;
  spec.ink_gain = gain;
  return maker::wiping_only_pair(plate, seed, spec).drawing;
}

// The plate with one of its areas bitten once more.
maker::Plate bitten_again(const maker::Scene& scene, const maker::SceneArea& area) {
  maker::Plate plate = scene.plate;
  maker::Bite bite;
  bite.ground_seed = 4711;
  bite.minutes = cv::Mat1f(scene.labels.size(), 0.F);
  bite.minutes.setTo(2.F, scene.labels == area.label);
  plate.bites.push_back(bite);
  return plate;
}

TEST(FurtherImpressions, BringTheToneNearerToThePlates) {
  const maker::Scene scene = maker::make_scene(4, kPlateSize);
  const align::PlatePair pair = maker::made_pair(scene, 4);
  RegionOptions options;
  for (const std::uint64_t seed : {77U, 78U, 79U}) {
    options.further_impressions.push_back(print_of(scene.plate, seed, 0.02, 1.0, 0));
  }
  const auto one = find_regions(pair, {}), four = find_regions(pair, options);
  ASSERT_TRUE(one);
  ASSERT_TRUE(four) << four.error().what;
  // Wiping of its own in each of four: half the error, but for what all share.
  EXPECT_LT(tone_error(*four, scene), 0.75 * tone_error(*one, scene));
  EXPECT_THAT(four->notes, ::testing::Contains(::testing::StartsWith("4 impressions")));
  const maker::Verdict v = maker::judge(scene, *four);
  for (const auto& a : v.areas) EXPECT_TRUE(a.right()) << a.label;
  EXPECT_LT(v.false_share, 0.01);
}

TEST(FurtherImpressions, OfOneStatePassHoweverTheyAreWiped) {
  for (const std::uint64_t seed : {4U, 7U, 12U}) {
    const maker::Scene scene = maker::make_scene(seed, kPlateSize);
    const align::PlatePair pair = maker::made_pair(scene, seed);
    for (const auto& [wiping, gain] : {std::pair{0.02, 1.0}, {0.035, 0.88}, {0.05, 1.12}}) {
      RegionOptions options;
      options.further_impressions.push_back(print_of(scene.plate, seed + 90, wiping, gain));
      const auto map = find_regions(pair, options);
      EXPECT_TRUE(map) << seed << " " << wiping << ": " << (map ? "" : map.error().what);
    }
  }
}

TEST(FurtherImpressions, OfAnotherStateAreRefusedWithTheirFigures) {
  for (const std::uint64_t seed : {4U, 7U, 12U}) {
    const maker::Scene scene = maker::make_scene(seed, kPlateSize);
    const align::PlatePair pair = maker::made_pair(scene, seed);
    const auto& area = *std::max_element(
        scene.areas.begin(), scene.areas.end(), [](const auto& a, const auto& b) {
          const auto worth = [](const auto& x) { return x.printed < 0.8 ? x.area_mm2 : 0; };
          return worth(a) < worth(b);
        });
    RegionOptions again, painted;
    again.further_impressions.push_back(print_of(scene.plate, seed + 90, 0.02, 1.0));
    again.further_impressions.push_back(
        print_of(bitten_again(scene, area), seed + 91, 0.02, 1.0));
    painted.further_impressions.push_back(pair.drawing);
    const auto refused = find_regions(pair, again);
    ASSERT_FALSE(refused) << seed << ": " << area.area_mm2 << " mm2 bitten again";
    EXPECT_THAT(refused.error().what, ::testing::HasSubstr("impression 2"));
    EXPECT_THAT(refused.error().what, ::testing::HasSubstr("% of the plate"));
    EXPECT_FALSE(find_regions(pair, painted)) << seed;
  }
}

// A little further bitten than the proof, over so little that it passes: averaged in, the area would
// come out half as far, and the drawing would ask for work that is done.
TEST(FurtherImpressions, WhereOneIsUnlikeTheProofAloneCounts) {
  const cv::Rect bitten_mm(30, 20, 16, 14);
  const maker::Scene scene = maker::make_scene(7, kPlateSize);
  const align::PlatePair pair = maker::made_pair(scene, 7);
  maker::Plate plate = scene.plate;
  maker::Bite bite;
  bite.ground_seed = 4711;
  bite.minutes = cv::Mat1f(scene.labels.size(), 0.F);
  const double s = scene.px_per_mm;
  bite.minutes(cv::Rect(cv::Point2d(bitten_mm.tl()) * s, cv::Size2d(bitten_mm.size()) * s))
      .setTo(4.F);
  plate.bites.push_back(bite);
  RegionOptions options;
  options.further_impressions.push_back(print_of(plate, 98, 0.02, 1.0));
  const auto alone = find_regions(pair, {}), two = find_regions(pair, options);
  ASSERT_TRUE(alone);
  ASSERT_TRUE(two) << two.error().what;
  EXPECT_THAT(two->notes, ::testing::Contains(::testing::HasSubstr("was not averaged in there")));
  const double g = two->grid.px_per_mm;
  const cv::Rect there(cv::Point2d(bitten_mm.tl()) * g, cv::Size2d(bitten_mm.size()) * g);
  // Wiping of two prints is averaged over the rest; here the tone is the proof's.
  EXPECT_NEAR(cv::mean(two->now(there))[0], cv::mean(alone->now(there))[0], 0.015);
  EXPECT_LT(maker::judge(scene, *two).false_share, 0.01);
}

}  // namespace
}  // namespace rebite::tone

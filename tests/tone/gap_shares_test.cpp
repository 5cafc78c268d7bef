#include "tone/gap_shares.h"

#include <gtest/gtest.h>

#include <limits>
#include <numeric>

namespace rebite::tone {
namespace {

constexpr float kUnseen = std::numeric_limits<float>::quiet_NaN();

double sum(const std::vector<double>& v) { return std::accumulate(v.begin(), v.end(), 0.0); }
double at(const GapShares& s, const std::vector<double>& list, double gap) {
  return list[static_cast<std::size_t>((gap - s.from) / s.step)];
}

TEST(GapShares, CountsPlacesBeforeAndAfter) {
  RegionMap map;
  map.gap = (cv::Mat1f(2, 4) << 0.32F, 0.32F, -0.23F, 0.01F, 0.47F, 0.17F, kUnseen, 0.01F);
  map.labels = (cv::Mat1w(2, 4) << 1, 1, 2, 0, 3, 3, 0, 0);
  const double all = 7;
  // Region 1 is bitten by 0.3 D, 2 lowered by 0.2 D, 3 follows the drawing.
  const GapShares s =
      gap_shares(map, {{1, 0.3}, {2, -0.2}, {3, std::numeric_limits<double>::infinity()}});
  EXPECT_NEAR(sum(s.before), 1, 1e-12);
  EXPECT_NEAR(sum(s.after), 1, 1e-12);
  EXPECT_NEAR(at(s, s.before, 0.32), 2 / all, 1e-12);
  EXPECT_NEAR(at(s, s.before, -0.23), 1 / all, 1e-12);
  EXPECT_NEAR(at(s, s.before, 0.47), 1 / all, 1e-12);
  EXPECT_NEAR(at(s, s.before, 0.01), 2 / all, 1e-12);
  EXPECT_NEAR(at(s, s.after, 0.02), 6 / all, 1e-12);
  EXPECT_NEAR(at(s, s.after, -0.03), 1 / all, 1e-12);
}

TEST(GapShares, WhatLiesBeyondCountsInTheOutermostBins) {
  RegionMap map;
  map.gap = (cv::Mat1f(1, 3) << -2.0F, 3.0F, kUnseen);
  map.labels = cv::Mat1w(1, 3, static_cast<ushort>(0));
  const GapShares s = gap_shares(map, {});
  EXPECT_EQ(s.before, s.after);
  EXPECT_NEAR(s.before.front(), 0.5, 1e-12);
  EXPECT_NEAR(s.before.back(), 0.5, 1e-12);
  map.gap = kUnseen;
  EXPECT_EQ(sum(gap_shares(map, {}).after), 0);
}

}  // namespace
}  // namespace rebite::tone

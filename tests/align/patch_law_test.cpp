// The error law of patch matching, the spline fit and the map's own rules.
#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>
#include <random>

#include "align/area_resample.h"
#include "align/patches.h"
#include "align/spline_fit.h"
#include "align/spline_warp.h"

namespace rebite::align {
namespace {

cv::Mat1f speckle(unsigned seed, cv::Size size, double blur) {
  std::mt19937 random(seed);
  std::normal_distribution<float> normal;
  cv::Mat1f m(size);
  for (float& v : m) v = normal(random);
  cv::GaussianBlur(m, m, {}, blur);
  cv::Scalar mean, sd;
  cv::meanStdDev(m, mean, sd);
  m = (m - mean[0]) / sd[0];
  return m;
}

// Pan, Xie, Wang, Qian, Wang, "Study on subset size selection in digital image correlation for
// speckle patterns", Opt. Express 16, 7037 (2008): sd of a shift = sqrt(2 noise^2 / sum of squared
// grey gradients in that direction).
TEST(PatchLawTest, ScatterFollowsThePublishedLaw) {
  const cv::Mat1f pattern = speckle(5, {700, 700}, 1.5);
  for (const float noise : {0.1F, 0.3F}) {
    cv::Mat1f a, b;
    cv::Mat1f first = speckle(6, pattern.size(), 0.01), second = speckle(7, pattern.size(), 0.01);
    cv::addWeighted(pattern, 1, first, static_cast<double>(noise), 0, a);
    cv::addWeighted(pattern, 1, second, static_cast<double>(noise), 0, b);
    PatchRule rule;
    rule.side_px = 31;
    rule.step_px = 31;
    rule.reach_px = 10;
    rule.least_z = 3;
    const cv::Mat1b usable(pattern.size(), static_cast<unsigned char>(255));
    const auto matches = match_patches(a, b, usable, rule, {0, 0, 700, 700}, 2);
    double measured = 0, published = 0, told = 0;
    int n = 0;
    for (const PatchMatch& m : matches) {
      ASSERT_TRUE(m.accepted);
      const int x = static_cast<int>(m.centre.x), y = static_cast<int>(m.centre.y);
      double gradients = 0;
      for (int j = -15; j <= 15; ++j)
        for (int i = -15; i <= 15; ++i) {
          const double g =
              0.5 * static_cast<double>(pattern(y + j, x + i + 1) - pattern(y + j, x + i - 1));
          gradients += g * g;
        }
      published += 2 * static_cast<double>(noise * noise) / gradients;
      measured += m.shift.x * m.shift.x;
      told += m.info.inv()(0, 0);
      ++n;
    }
    ASSERT_GT(n, 300);
    // Correlation reads the shift from 3 x 3 values: a little worse than the least-squares law.
    EXPECT_GT(std::sqrt(measured / published), 0.8) << noise;
    EXPECT_LT(std::sqrt(measured / published), 1.6) << noise;
    // What a patch says of itself, before it is calibrated by residuals.
    EXPECT_GT(std::sqrt(told / measured), 0.4) << noise;
    EXPECT_LT(std::sqrt(told / measured), 2.0) << noise;
  }
}

TEST(PatchLawTest, ALoneLineIsKnownAcrossItselfOnly) {
  cv::Mat1f line(200, 200, 0.0F);
  cv::line(line, {20, 100}, {180, 100}, 1, 2);
  cv::GaussianBlur(line, line, {}, 1.5);
  line *= 6;
  PatchRule rule;
  rule.side_px = 61;
  rule.step_px = 61;
  rule.pull = 0.05;
  rule.least_z = 0.5;
  rule.least_variance = 0.01;
  const auto matches = match_patches(line,
                                     line,
                                     cv::Mat1b(line.size(), static_cast<unsigned char>(255)),
                                     rule,
                                     {95, 95, 10, 10},
                                     1);
  ASSERT_EQ(matches.size(), 1U);
  EXPECT_EQ(matches[0].directions, 1);
  EXPECT_GT(matches[0].info(1, 1), 1000 * matches[0].info(0, 0));
}

TEST(AreaResampleTest, KeepsPlaceAndMeanAtBrokenRatios) {
  cv::Mat1f ramp(300, 400);
  for (int y = 0; y < ramp.rows; ++y)
    for (int x = 0; x < ramp.cols; ++x) ramp(y, x) = static_cast<float>(0.5 + 0.001 * x);
  for (const double step : {1.3333333, 2.0, 2.6667, 3.937}) {
    const cv::Mat1f small = area_resample(ramp, step, step, 2);
    // Single pixels carry the grid's beat; their mean does not.
    double off = 0;
    for (int k = 20; k < 80; ++k) {
      const double place = (k + 0.5) * step - 0.5;  // alignment.md, hazard 6
      off += static_cast<double>(small(5, k)) - (0.5 + 0.001 * place);
    }
    EXPECT_NEAR(off / 60, 0, 2e-6) << step;
  }
}

TEST(SmoothMapTest, InverseUndoesTheMap) {
  const SplineGrid grid = SplineGrid::over({0, 0, 150, 110}, 18);
  std::mt19937 random(3);
  std::normal_distribution<double> normal(0, 0.5);
  std::vector<cv::Vec2d> c(static_cast<std::size_t>(grid.size()));
  for (cv::Vec2d& v : c) v = {normal(random), normal(random)};
  SmoothMap map;
  map.stiff = SplineField(grid, c);
  map.start = {-0.02, -0.99, 140, -1.01, 0.03, 120, 1e-5, -2e-5, 1};  // turned, mirrored, slanted
  for (double y = 2; y < 110; y += 9)
    for (double x = 2; x < 150; x += 9) {
      const cv::Point2d p(x, y);
      EXPECT_LT(cv::norm(map.backward(map.forward(p)) - p), 1e-8);
      EXPECT_LT(cv::norm(map.forward(map.backward(map.forward(p))) - map.forward(p)), 1e-8);
    }
}

TEST(SplineFitTest, RecoversASmoothSheetAndKnowsWhereItDoesNot) {
  SplineFit fit({0, 0, 120, 90}, 9, 2, 2);
  const auto truth = [](cv::Point2d p) {
    return cv::Vec2d(0.3 * std::sin(p.x / 12) + 0.01 * p.y, 0.2 * std::cos(p.y / 15));
  };
  std::vector<FitDatum> data;
  for (double y = 2; y < 90; y += 3)
    for (double x = 2; x < 60; x += 3)  // the right half is not seen
      data.push_back({{x, y}, truth({x, y}), cv::Matx22d::eye() / (0.002 * 0.002)});
  const auto answer = fit.solve(data, {1, 0.05});
  EXPECT_LT(cv::norm(answer.stiff.at({30, 45}) + answer.fine.at({30, 45}) - truth({30, 45})),
            0.003);
  const auto covariance = fit.covariance_at({{30, 45}, {110, 45}});
  EXPECT_LT(std::sqrt(covariance[0](0, 0)), 0.003);
  EXPECT_GT(std::sqrt(covariance[1](0, 0)), 0.1);
}

}  // namespace
}  // namespace rebite::align

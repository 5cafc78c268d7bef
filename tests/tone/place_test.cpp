#include "tone/place.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "tests/support/chance.h"

namespace rebite::tone {
namespace {

constexpr double px_per_mm = 8;

Region placed(const cv::Mat1b& here) {
  Region r;
  place(here, cv::Rect(40, 80, here.cols, here.rows), px_per_mm, r);
  return r;
}

cv::Mat1b rectangle(double width_mm, double height_mm) {
  return cv::Mat1b(static_cast<int>(height_mm * px_per_mm),
                   static_cast<int>(width_mm * px_per_mm),
                   static_cast<uchar>(255));
}

// J. C. Maxwell, A Treatise on Electricity and Magnetism (1873), section 692: the geometric mean
// distance of a rectangle is 0.2235 (a + b) nearly, of a square 0.44705 a.
TEST(Place, MeanDistanceOfRectanglesIsMaxwells) {
  EXPECT_NEAR(placed(rectangle(20, 20)).mean_distance_mm, 0.44705 * 20, 0.03 * 9);
  EXPECT_NEAR(placed(rectangle(40, 10)).mean_distance_mm, 0.2235 * 50, 0.03 * 11);
  EXPECT_NEAR(placed(rectangle(100, 4)).mean_distance_mm, 0.2235 * 104, 0.03 * 23);
  EXPECT_NEAR(placed(rectangle(4, 100)).mean_distance_mm, 0.2235 * 104, 0.03 * 23);
}

// The same: of a disc exp(-1/4) times its radius, of a thin ring its radius.
TEST(Place, MeanDistanceOfDiscAndRingIsMaxwells) {
  cv::Mat1b disc(321, 321, static_cast<uchar>(0)), ring = disc.clone();
  cv::circle(disc, {160, 160}, 160, 255, cv::FILLED);
  cv::circle(ring, {160, 160}, 152, 255, 8);
  EXPECT_NEAR(placed(disc).mean_distance_mm, std::exp(-0.25) * 20, 0.03 * 16);
  EXPECT_NEAR(placed(ring).mean_distance_mm, 19, 0.03 * 19);
}

// A quarter of a millimetre wide: against pairs drawn along its sides.
TEST(Place, ThinFrameCountsAllRound) {
  cv::Mat1b frame = rectangle(100, 80);
  frame(cv::Rect(2, 2, frame.cols - 4, frame.rows - 4)) = 0;
  double logs = 0;
  constexpr int pairs = 100000;
  maker::Chance chance(5);
  const auto place = [&] {
    const double s = chance.uniform(0, 360);
    return s < 100   ? cv::Point2d(s, 0)
           : s < 200 ? cv::Point2d(s - 100, 80)
           : s < 280 ? cv::Point2d(0, s - 200)
                     : cv::Point2d(100, s - 280);
  };
  for (int k = 0; k < pairs; ++k) logs += std::log(std::max(0.05, cv::norm(place() - place())));
  const double expected = std::exp(logs / pairs);
  EXPECT_NEAR(placed(frame).mean_distance_mm, expected, 0.04 * expected);
}

TEST(Place, LargestCircleAndItsMiddle) {
  const Region r = placed(rectangle(40, 10));
  EXPECT_NEAR(r.width_mm, 10, 0.3);
  EXPECT_NEAR(r.centre.y, 80 / px_per_mm + 5, 0.2);
  EXPECT_GE(r.centre.x, 40 / px_per_mm + 4.8);
  EXPECT_LE(r.centre.x, 40 / px_per_mm + 35.2);
}

TEST(Place, ASinglePixelHasASize) {
  const Region r = placed(cv::Mat1b(1, 1, static_cast<uchar>(255)));
  EXPECT_GT(r.width_mm, 0);
  EXPECT_GT(r.mean_distance_mm, 0);
  EXPECT_LT(r.mean_distance_mm, 1 / px_per_mm);
}

}  // namespace
}  // namespace rebite::tone

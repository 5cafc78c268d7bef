#include "tone/place.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <random>
#include <vector>

namespace rebite::tone {
namespace {

// About 256 pixels of the region, one of each stretch of it in reading order: however thin or
// broken it is, all of it counts alike.
std::vector<cv::Point2d> some_pixels(const cv::Mat1b& here, int pixels) {
  const int count = std::min(pixels, 256);
  std::mt19937_64 engine(1873);
  std::vector<cv::Point2d> out;
  const auto next = [&] {  // in reading order
    const double within =
        count < pixels ? static_cast<double>(engine() >> 11U) / static_cast<double>(1ULL << 53U)
                       : 0;
    return static_cast<int>((static_cast<double>(out.size()) + within) * pixels / count);
  };
  int seen = 0, wanted = next();
  for (int i = 0; i < here.rows && wanted < pixels; ++i) {
    const int in_row = cv::countNonZero(here.row(i));
    if (seen + in_row <= wanted) {
      seen += in_row;
      continue;
    }
    for (int j = 0; j < here.cols; ++j) {
      if (!here(i, j) || seen++ != wanted) continue;
      out.emplace_back(j, i);
      wanted = next();
    }
  }
  return out;
}

double mean_distance_px(const cv::Mat1b& here) {
  const int pixels = cv::countNonZero(here);
  const std::vector<cv::Point2d> places = some_pixels(here, pixels);
  // So small that the pixels' own size counts: as a disc.
  if (places.size() < 16) return std::exp(-0.25) * std::sqrt(pixels / std::numbers::pi);
  double logs = 0;
  for (std::size_t a = 0; a < places.size(); ++a) {
    for (std::size_t b = 0; b < a; ++b) {
      const cv::Point2d d = places[a] - places[b];
      logs += 0.5 * std::log(d.dot(d));
    }
  }
  const auto n = static_cast<double>(places.size());
  return std::exp(2 * logs / (n * (n - 1)));
}

}  // namespace

void place(const cv::Mat1b& here, cv::Rect box, double px_per_mm, Region& region) {
  cv::Mat1b mask(box.height + 2, box.width + 2, static_cast<uchar>(0));
  here.copyTo(mask(cv::Rect({1, 1}, box.size())));
  cv::Mat1f distance;
  cv::distanceTransform(mask, distance, cv::DIST_L2, cv::DIST_MASK_PRECISE);
  double most = 0;
  cv::Point where;
  cv::minMaxLoc(distance, nullptr, &most, nullptr, &where);
  region.width_mm = std::max(0.5, 2 * most - 1) / px_per_mm;
  region.centre = {(where.x - 1 + box.x + 0.5) / px_per_mm,
                   (where.y - 1 + box.y + 0.5) / px_per_mm};
  region.mean_distance_mm = mean_distance_px(here) / px_per_mm;
}

}  // namespace rebite::tone

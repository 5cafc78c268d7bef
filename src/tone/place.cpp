#include "tone/place.h"

#include <algorithm>
#include <cmath>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <vector>

namespace rebite::tone {
namespace {

double mean_distance_px(const cv::Mat1b& here) {
  const double pixels = cv::countNonZero(here);
  const int step = std::max(1, static_cast<int>(std::sqrt(pixels / 256)));
  std::vector<cv::Point2d> nodes;
  for (int i = step / 2; i < here.rows; i += step) {
    for (int j = step / 2; j < here.cols; j += step) {
      if (here(i, j)) nodes.emplace_back(j, i);
    }
  }
  double logs = 0;
  for (std::size_t a = 0; a < nodes.size(); ++a) {
    for (std::size_t b = 0; b < a; ++b) {
      const cv::Point2d d = nodes[a] - nodes[b];
      logs += 0.5 * std::log(d.dot(d));
    }
  }
  const auto n = static_cast<double>(nodes.size());
  // A speck that the lattice misses, or meets once: as a disc of its size.
  if (nodes.size() < 2) return std::exp(-0.25) * std::sqrt(pixels / std::numbers::pi);
  // A node stands for the square around it, and lies within that from itself.
  const double own = std::log(0.2235 * 2 * step);
  return std::exp((2 * logs + n * own) / (n * n));
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

#include "wedge/measure_cell.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>
#include <vector>

namespace rebite::wedge {
namespace {

// Reflectance that one spot in twenty is darker than; spots are squares of about 0.2 mm.
Density darkest_spots(const cv::Mat1f& relative,
                      const cv::Rect& where,
                      const cv::Mat1b& mask,
                      int side) {
  std::vector<float> v;
  for (int y = where.y; y + side <= where.br().y; y += side) {
    for (int x = where.x; x + side <= where.br().x; x += side) {
      const cv::Rect spot(x, y, side, side);
      if (cv::countNonZero(mask(spot)) < side * side) continue;
      const auto mean = static_cast<float>(cv::mean(relative(spot))[0]);
      if (!std::isnan(mean)) v.push_back(mean);
    }
  }
  if (v.empty()) return Density::of(0);
  const auto at = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 20);
  std::nth_element(v.begin(), at, v.end());
  return Density::of_reflectance(std::max(static_cast<double>(*at), 1e-4));
}

}  // namespace

std::string scan_name(const scan::DensityImage& scan) {
  const std::string name = scan.info.file.filename().string();
  return name.empty() ? "the scan" : name;
}

FoundStep measure_cell(const scan::DensityImage& scan,
                       const WedgeFrame& frame,
                       const cv::Rect2d& cell,
                       cv::Mat1b& mask) {
  FoundStep step;
  // Corners are cell edges between frame pixels: pixel centres lie half a pixel in.
  const double x0 = cell.x - 0.5, y0 = cell.y - 0.5;
  const double x1 = x0 + cell.width, y1 = y0 + cell.height;
  const cv::Point2d corners[4] = {
      frame.to_scan(x0, y0), frame.to_scan(x1, y0), frame.to_scan(x1, y1), frame.to_scan(x0, y1)};
  for (const cv::Point2d& c : corners) {
    step.centre_mm += 0.25 * cv::Point2d(c.x / scan.px_per_mm_x(), c.y / scan.px_per_mm_y());
  }
  std::vector<cv::Point> polygon;
  constexpr int shift = 4;
  for (std::size_t i = 0; i < 4; ++i) {
    step.corners_px[i] = cv::Point2f(corners[i]);
    polygon.emplace_back(cvRound(corners[i].x * (1 << shift)),
                         cvRound(corners[i].y * (1 << shift)));
  }
  cv::Rect where =
      cv::boundingRect(std::vector<cv::Point2f>(step.corners_px.begin(), step.corners_px.end()));
  where = (where + cv::Size(2, 2)) & cv::Rect(0, 0, mask.cols, mask.rows);
  mask.setTo(0);
  cv::fillConvexPoly(mask, polygon, cv::Scalar(255), cv::LINE_8, shift);
  // Blocks of about 1.2 mm: several grains wide, so that blocks err on their own.
  const int block = std::max(4, cvRound(1.2 * scan.px_per_mm_x()));
  step.tone = scan::mean_tone(scan.relative, where, mask, block);
  step.tone.sd_of_mean =
      std::hypot(step.tone.sd_of_mean, scan.doubt.carried_sd(step.tone.density));
  const int spot = std::max(1, cvRound(0.2 * scan.px_per_mm_x()));
  step.darkest_spots = darkest_spots(scan.relative, where, mask, spot);
  return step;
}

}  // namespace rebite::wedge

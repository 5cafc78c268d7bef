#include "jobs/wedge_picture.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "jobs/pictures.h"

namespace rebite::jobs {

sheets::WedgePicture wedge_picture(const scan::DensityImage& scan,
                                   const std::vector<wedge::FoundStep>& found) {
  constexpr double around_mm = 6;
  constexpr int widest = 1400;
  std::vector<cv::Point2f> corners;
  for (const auto& s : found) corners.insert(corners.end(), s.corners_px.begin(), s.corners_px.end());
  if (corners.empty()) return {};
  const int more = static_cast<int>(around_mm * scan.px_per_mm_x());
  cv::Rect part = cv::boundingRect(corners);
  part = cv::Rect(part.x - more, part.y - more, part.width + 2 * more, part.height + 2 * more) &
         cv::Rect({0, 0}, scan.relative.size());
  if (part.empty()) return {};
  cv::Mat1f crop = scan.relative(part).clone();
  const bool upright = crop.rows > crop.cols;
  if (upright) cv::rotate(crop, crop, cv::ROTATE_90_CLOCKWISE);
  const double k = std::min(1.0, double(widest) / crop.cols);
  cv::Mat1f small;
  cv::resize(crop, small, {}, k, k, cv::INTER_AREA);
  sheets::WedgePicture picture{as_grey(small), {}};
  for (const auto& s : found) {
    auto& step = picture.steps.emplace_back();
    for (std::size_t i = 0; i < 4; ++i) {
      const cv::Point2f p = s.corners_px[i] - cv::Point2f(part.tl());
      const cv::Point2f turned = upright ? cv::Point2f(float(crop.cols) - 1 - p.y, p.x) : p;
      step.corners[i] = turned * float(k);
    }
  }
  return picture;
}

void name_steps(const std::vector<wedge::WedgeStep>& steps, sheets::WedgePicture& picture) {
  for (const auto& s : steps) {
    const auto at = static_cast<std::size_t>(s.place - 1);
    if (s.place < 1 || at >= picture.steps.size()) continue;
    picture.steps[at].time = clock_text(s.time);
    picture.steps[at].density = fmt::format("{:.2f}", s.density.value());
  }
}

}  // namespace rebite::jobs

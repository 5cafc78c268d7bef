#include "align/plate_mark.h"

#include <fmt/format.h>

#include <cmath>
#include <numbers>

#include "align/align_pair.h"

namespace rebite::align {
namespace {

constexpr double kMostStretch = 0.05;  // damp paper changes by up to 3 % (trade.md, section 0.8)

double side(const Corners& c, std::size_t a, std::size_t b) { return cv::norm(c[a] - c[b]); }

SizeMm size_of(const Corners& c) {
  return {(side(c, 0, 1) + side(c, 3, 2)) / 2, (side(c, 0, 3) + side(c, 1, 2)) / 2};
}

// The larger of the two relative differences.
double misfit(SizeMm measured, SizeMm plate) {
  return std::max(std::abs(measured.width / plate.width - 1),
                  std::abs(measured.height / plate.height - 1));
}

double tilt(const Corners& c) {  // of the top side, radians from upright
  const cv::Point2d d = (c[1] - c[0]) + (c[2] - c[3]);
  return std::abs(std::atan2(d.y, d.x));
}

Corners turned(const Corners& c, std::size_t k) {
  return {c[k], c[(k + 1) % 4], c[(k + 2) % 4], c[(k + 3) % 4]};
}

}  // namespace

std::optional<Outline> seek_outline(const cv::Mat1f& relative, ScanScale scale, int threads) {
  const double own = std::min(scale.x, scale.y);
  const Level fine = make_level(relative, scale, std::min(own, 300 / 25.4), threads);
  const Level rough = make_level(relative, scale, std::min(own, 1.5), threads);
  const std::optional<Corners> corners = rough_outline(rough);
  return corners ? refine_outline(fine, *corners) : std::nullopt;
}

Result<PlateMark> oriented_mark(const Outline& outline,
                                WorkScale scale,
                                std::optional<SizeMm> plate,
                                const std::string& name) {
  const bool check = plate && scale.real;
  // Of the four quarter turns: those that fit the size, then the most upright.
  Corners best{};
  double best_tilt = 10, least = 10;
  SizeMm nearest;
  for (std::size_t k = 0; k < 4; ++k) {
    const Corners c = turned(outline.corners, k);
    const double off = check ? misfit(size_of(c), *plate) : 0;
    if (off < least) {
      least = off;
      nearest = size_of(c);
    }
    if (off > kMostStretch || tilt(c) >= best_tilt - 1e-6) continue;
    best = c;
    best_tilt = tilt(c);
  }
  if (best_tilt > 9)
    return refuse(ProblemKind::data,
                  fmt::format("{}: the plate mark measures {:.1f} x {:.1f} mm on the paper, the "
                              "plate is given as {:.1f} x {:.1f} mm (more than 5 % apart)",
                              name,
                              nearest.width,
                              nearest.height,
                              plate->width,
                              plate->height),
                  "Check the plate size and the scan's resolution.");
  PlateMark mark;
  mark.found = true;
  mark.corner_sd_mm = outline.sd_mm;
  for (std::size_t k = 0; k < 4; ++k) mark.corners_px[k] = scale.scale.px(best[k]);
  if (scale.real) mark.measured = size_of(best);
  if (check) {
    mark.stretch_x = mark.measured.width / plate->width;
    mark.stretch_y = mark.measured.height / plate->height;
  }
  return mark;
}

PlateMark assumed_mark(cv::Point2d centre, SizeMm plate, ScanScale scale) {
  PlateMark mark;
  mark.found = false;
  mark.corner_sd_mm = 10;
  mark.measured = plate;
  const cv::Point2d half(plate.width / 2, plate.height / 2);
  mark.corners_px = {scale.px(centre - half),
                     scale.px(centre + cv::Point2d(half.x, -half.y)),
                     scale.px(centre + half),
                     scale.px(centre + cv::Point2d(-half.x, half.y))};
  return mark;
}

Result<PlateMark> find_plate_mark(const scan::DensityImage& scan, std::optional<SizeMm> plate) {
  const WorkScale scale = work_scale(scan.info);
  const std::optional<Outline> outline = seek_outline(scan.relative, scale.scale, 2);
  if (outline) return oriented_mark(*outline, scale, plate, scan.info.file.filename().string());
  const SizeMm whole{scan.relative.cols / scale.scale.x, scan.relative.rows / scale.scale.y};
  return assumed_mark({whole.width / 2, whole.height / 2}, plate.value_or(whole), scale.scale);
}

}  // namespace rebite::align

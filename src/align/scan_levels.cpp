#include "align/scan_levels.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "align/area_resample.h"
#include "align/local_norm.h"

namespace rebite::align {
namespace {

constexpr double kTop = 300 / 25.4;  // finer than this brings nothing (alignment.md, section 3)
constexpr double kFloor = 0.02;      // density: bare paper's texture is a tenth of it
constexpr double kFormFloor = 0.12;  // what is left of grain after the blur is no form
constexpr double kRim = 1.5;         // mm inside the plate mark: bevel and ink along its foot

long key(double px_per_mm) { return std::lround(px_per_mm * 1000); }

cv::Rect2d around(const Corners& c) {
  cv::Point2d low = c[0], high = c[0];
  for (const cv::Point2d& p : c) {
    low = {std::min(low.x, p.x), std::min(low.y, p.y)};
    high = {std::max(high.x, p.x), std::max(high.y, p.y)};
  }
  return {low, high};
}

// The plate less its rim.
cv::Mat1b inside_rim(const Corners& c, double px_per_mm, cv::Size size) {
  std::vector<cv::Point> polygon;
  for (std::size_t k = 0; k < 4; ++k) {
    const cv::Point2d a = c[(k + 3) % 4] - c[k], b = c[(k + 1) % 4] - c[k];
    const cv::Point2d p = c[k] + a * (kRim / cv::norm(a)) + b * (kRim / cv::norm(b));
    polygon.emplace_back(cv::Point2d(p * px_per_mm) - cv::Point2d(0.5, 0.5));
  }
  cv::Mat1b mask(size, static_cast<unsigned char>(0));
  cv::fillConvexPoly(mask, polygon, 255);
  return mask;
}

}  // namespace

ScanLevels::ScanLevels(const scan::DensityImage& image, int threads)
    : image_(image), threads_(threads) {
  const WorkScale work = work_scale(image.info);
  scale_ = work.scale;
  real_ = work.real;
}

cv::Size2d ScanLevels::size_mm() const {
  return {image_.relative.cols / scale_.x, image_.relative.rows / scale_.y};
}

void ScanLevels::rescale(double factor) {
  scale_.x /= factor;
  scale_.y /= factor;
  rescaled_ *= factor;
  base_.release();
  levels_.clear();
  if (outline_) {
    for (cv::Point2d& c : outline_->corners) c *= factor;
    for (auto& side : outline_->sides)
      for (cv::Point2d& p : side) p *= factor;
  }
}

const cv::Mat1f& ScanLevels::base() {
  if (base_.empty()) {
    const double own = std::min(finest(), kTop);
    base_scale_ = {own, own};
    base_ = area_resample(image_.relative, scale_.x / own, scale_.y / own, threads_);
  }
  return base_;
}

Level& ScanLevels::make(double px_per_mm) {
  const double wanted = std::min(px_per_mm, finest());
  if (const auto found = levels_.find(key(wanted)); found != levels_.end()) return found->second;
  base();
  return levels_
      .emplace(key(wanted),
               wanted > base_scale_.x ? make_level(image_.relative, scale_, wanted, threads_)
                                      : make_level(base_, base_scale_, wanted, threads_))
      .first->second;
}

const Level& ScanLevels::level(double px_per_mm) { return make(px_per_mm); }

const Level& ScanLevels::with_grain(double px_per_mm, double sigma_mm) {
  Level& level = make(px_per_mm);
  if (level.grain.empty())
    level.grain = locally_normalised(
        level.density, level.known, sigma_mm * level.px_per_mm, kFloor, threads_);
  return level;
}

const Level& ScanLevels::with_form(double px_per_mm, double blur_mm, double sigma_mm) {
  Level& level = make(px_per_mm);
  if (level.form.empty()) {
    cv::Mat1f blurred;
    cv::GaussianBlur(level.density, blurred, {}, blur_mm * level.px_per_mm);
    level.form =
        locally_normalised(blurred, level.known, sigma_mm * level.px_per_mm, kFormFloor, threads_);
  }
  return level;
}

void ScanLevels::keep_only(double px_per_mm) {
  const Level& level = make(px_per_mm);
  std::erase_if(levels_, [&](const auto& other) { return &other.second != &level; });
  base_.release();
}

const Level& ScanLevels::with_only_grain(double px_per_mm, double sigma_mm) {
  keep_only(px_per_mm);
  with_grain(px_per_mm, sigma_mm);
  Level& level = make(px_per_mm);
  level.density.release();
  return level;
}

const std::optional<Outline>& ScanLevels::outline() {
  if (!sought_) {
    sought_ = true;
    const std::optional<Corners> rough = rough_outline(level(std::min(finest(), 1.5)));
    if (rough) outline_ = refine_outline(level(std::min(finest(), kTop)), *rough);
  }
  return outline_;
}

PictureArea ScanLevels::picture(double px_per_mm) {
  const Level& l = level(px_per_mm);
  PictureArea area;
  if (outline()) {
    area.mask = inside_rim(outline_->corners, l.px_per_mm, l.known.size());
    cv::bitwise_and(area.mask, l.known, area.mask);
    area.box_mm = around(outline_->corners) & cv::Rect2d({0, 0}, l.size_mm());
  } else {
    area.mask = l.known.clone();
    const cv::Rect known = cv::boundingRect(l.known);
    area.box_mm = {known.x / l.px_per_mm,
                   known.y / l.px_per_mm,
                   known.width / l.px_per_mm,
                   known.height / l.px_per_mm};
  }
  return area;
}

}  // namespace rebite::align

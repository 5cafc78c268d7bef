#include "tests/support/sheet_place.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <numbers>

#include "tests/support/chance.h"

namespace rebite::maker {
namespace {

// cos and sin of whole quarter turns without the last-digit dust.
double exact_cosine(double degrees) {
  const double turn = std::remainder(degrees, 360.0);
  if (turn == 0) return 1;
  if (std::abs(turn) == 180) return -1;
  if (std::abs(turn) == 90) return 0;
  return std::cos(turn * std::numbers::pi / 180);
}

}  // namespace

SheetPlace::SheetPlace(SizeMm plate, const Impression& sheet, const Scanner& scanner)
    : plate_(plate),
      stretch_x_(sheet.stretch_x),
      stretch_y_(sheet.stretch_y),
      wander_(sheet.wander_mm),
      wander_x_(mix(sheet.seed, 0x7761782d), 45, 160),
      wander_y_(mix(sheet.seed, 0x7761792d), 45, 160),
      cosine_(exact_cosine(scanner.turn_deg)),
      sine_(exact_cosine(scanner.turn_deg - 90)),
      mirror_(scanner.mirrored ? -1 : 1),
      px_per_mm_x_(scanner.dpi / 25.4),
      px_per_mm_y_((scanner.dpi_y > 0 ? scanner.dpi_y : scanner.dpi) / 25.4) {
  assert(scanner.dpi > 0 && plate.width > 0 && plate.height > 0);
  const double a = plate.width * stretch_x_ / 2 + sheet.margin_mm;
  const double b = plate.height * stretch_y_ / 2 + sheet.margin_mm;
  const double width = 2 * (std::abs(cosine_) * a + std::abs(sine_) * b - scanner.crop_mm);
  const double height = 2 * (std::abs(sine_) * a + std::abs(cosine_) * b - scanner.crop_mm);
  columns_ = static_cast<int>(std::ceil(width * px_per_mm_x_ - 1e-6));
  rows_ = static_cast<int>(std::ceil(height * px_per_mm_y_ - 1e-6));
  assert(columns_ > 0 && rows_ > 0);
  half_width_ = columns_ / px_per_mm_x_ / 2;
  half_height_ = rows_ / px_per_mm_y_ / 2;
}

cv::Point2d SheetPlace::sheet_from_plate(PlateMm p) const {
  cv::Point2d s{stretch_x_ * (p.x - plate_.width / 2), stretch_y_ * (p.y - plate_.height / 2)};
  if (wander_ != 0) {
    s.x += wander_ * wander_x_.unit_peak(p.x, p.y);
    s.y += wander_ * wander_y_.unit_peak(p.x, p.y);
  }
  return s;
}

cv::Point2d SheetPlace::px_from_plate(PlateMm p) const {
  const cv::Point2d s = sheet_from_plate(p);
  const double x = mirror_ * s.x;
  const cv::Point2d platen{cosine_ * x + sine_ * s.y, -sine_ * x + cosine_ * s.y};
  return {(platen.x + half_width_) * px_per_mm_x_ - 0.5,
          (platen.y + half_height_) * px_per_mm_y_ - 0.5};
}

cv::Point2d SheetPlace::sheet_from_px(cv::Point2d px) const {
  const double x = (px.x + 0.5) / px_per_mm_x_ - half_width_;
  const double y = (px.y + 0.5) / px_per_mm_y_ - half_height_;
  return {mirror_ * (cosine_ * x - sine_ * y), sine_ * x + cosine_ * y};
}

PlateMm SheetPlace::plate_from_sheet(cv::Point2d sheet, PlateMm p) const {
  // The wander's strain is far below 1, so the fixed point is reached fast.
  for (int i = 0; i < 40; ++i) {
    const cv::Point2d s = sheet_from_plate(p);
    const double dx = (sheet.x - s.x) / stretch_x_, dy = (sheet.y - s.y) / stretch_y_;
    p.x += dx;
    p.y += dy;
    if (std::abs(dx) + std::abs(dy) < 1e-9) break;
  }
  return p;
}

}  // namespace rebite::maker

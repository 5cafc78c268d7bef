// Where the plate lies on a scan: paper stretch and wander, turn, mirror, platen, pixels.
#pragma once

#include <opencv2/core.hpp>

#include "tests/support/plate_maker.h"
#include "tests/support/waves.h"

namespace rebite::maker {

// Frames: plate mm (print view) -> sheet mm from the plate's centre (paper stretch and wander in)
// -> scan pixels (centres at whole numbers). Everything analytic, so a pixel is exact.
class SheetPlace {
 public:
  SheetPlace(SizeMm plate, const Impression&, const Scanner&);

  int columns() const { return columns_; }
  int rows() const { return rows_; }
  double px_per_mm_x() const { return px_per_mm_x_; }
  double px_per_mm_y() const { return px_per_mm_y_; }

  cv::Point2d sheet_from_plate(PlateMm) const;
  cv::Point2d px_from_plate(PlateMm) const;
  cv::Point2d sheet_from_px(cv::Point2d px) const;
  // `start`: a guess near by; the answer is good to 1e-9 mm.
  PlateMm plate_from_sheet(cv::Point2d sheet, PlateMm start) const;

 private:
  SizeMm plate_;
  double stretch_x_, stretch_y_, wander_;
  Waves wander_x_, wander_y_;
  double cosine_, sine_, mirror_;
  double px_per_mm_x_, px_per_mm_y_;
  double half_width_, half_height_;  // of the scan, mm on the platen
  int columns_, rows_;
};

}  // namespace rebite::maker

// A spot densitometer: the tone of a round aperture anywhere on a scan.
#pragma once

#include <opencv2/core.hpp>

#include "scan/density_image.h"

namespace rebite::scan {

struct Spot {
  cv::Point2d centre_px;
  double diameter_px_x = 0, diameter_px_y = 0;  // differ where the resolution does
  TonePatch tone;
  double lightness = 0;  // CIE L* against the same white as the density
};

// Diameters that are read.
inline constexpr double least_aperture_mm = 0.2, most_aperture_mm = 500;

// `at_px` in scan pixels, the aperture in mm of the scan.
// Refuses (usage) a place or aperture not wholly on the scan, a diameter beyond those, or fewer than
// 12 pixels in it; (data) an aperture with nothing measured in it.
Result<Spot> read_spot(const DensityImage& image, cv::Point2d at_px, double diameter_mm = 3);

// Place in mm from the scan's top-left corner (its edge, half a pixel before the first centre).
cv::Point2d px_from_scan_mm(const DensityImage& image, cv::Point2d mm);

}  // namespace rebite::scan

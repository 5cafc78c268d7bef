// From what a sheet shows to the codes a scanner writes. Inside the plate maker's own use.
#pragma once

#include "tests/support/plate_maker.h"
#include "tests/support/sheet_place.h"
#include "tests/support/tone_layers.h"

namespace rebite::maker {

// How the border of the plate shows.
// card: what lies at the edge goes on beyond it.
enum class Edge { none, plate_mark, pencil_frame, card };

// Width of a sample on the sheet, mm, for a scanner: pixels are split until samples are at most
// 0.0424 mm wide.
double sample_mm(const Scanner&);

// Absolute reflectance of the sheet at every scan pixel, averaged over the pixel, before the
// scanner's optics.
cv::Mat1f sheet_reflectance(
    const ToneLayers&, SizeMm plate, const Impression&, const Scanner&, const SheetPlace&, Edge);

// Blur, uneven light, flare, noise, tone curve, rounding. CV_8U or CV_16U.
cv::Mat scan_codes(const cv::Mat1f& absolute, const Scanner&);

// Gaussian blur, own arithmetic: the same bytes on every processor (OpenCV's uses fused
// multiply-add where the processor has it).
void blur_rows_and_columns(cv::Mat1f& image, double sigma_x_px, double sigma_y_px);

// Average density over plate, px_per_mm, 3 x 3 samples to a pixel.
cv::Mat1f mean_density(const ToneLayers&, SizeMm plate, double px_per_mm, bool with_wiping);

}  // namespace rebite::maker

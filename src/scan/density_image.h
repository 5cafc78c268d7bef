// A scan turned into tone: reflectance relative to the sheet's own bare paper, pixel by pixel.
#pragma once

#include <opencv2/core.hpp>
#include <string>

#include "scan/scan_info.h"
#include "units/density.h"
#include "units/problem.h"

namespace rebite::scan {

// How sure the chain scanner -> reflectance is, apart from grain and wiping: one standard
// deviation of a density due to the tone calibration, as a function of that density.
struct ToneDoubt {
  double floor = 0.005;   // log10 units at paper
  double relative = 0.0;  // plus this share of the density
  // Ink darker than the scanner curve's darkest patch was read by carrying the curve on: by how much
  // (reflectance relative to paper, mean over dark pixels) it lies below that patch. A quarter of it
  // is doubted (common practice, no source), in a tone as far as it is covered with ink.
  double carried_on = 0.0;
  double sd(Density d) const;  // sqrt(floor^2 + (relative * d)^2 + carried_sd(d)^2)
  double carried_sd(Density d) const;
};

// Copies share pixels (cv::Mat): treat as read-only.
struct DensityImage {
  // Linear reflectance / reflectance of bare paper at that place. 1 = paper, 0.04 about D 1.4.
  // NaN = not measured (outside the sheet). Floats, not densities: means must be taken in
  // reflectance. Pixel centres at whole numbers, x right, y down, orientation applied.
  cv::Mat1f relative;
  ScanInfo info;
  ToneDoubt doubt;
  double paper_residual_sd = 0;   // log10 units, of bare-paper patches about the fitted white field
  double paper_unevenness = 0;    // (max - min) / mean of the fitted white field, 0..1
  // Absolute reflectance of the bare paper in the middle of the scan, as the scanner's codes say it
  // before it was divided out; 0: no bare paper was taken as white.
  double paper_reflectance = 0;
  Notes notes;

  // Needs info.x and info.y; the reader has refused a scan without them unless told otherwise.
  double px_per_mm_x() const { return info.x->value(); }
  double px_per_mm_y() const { return info.y->value(); }
};

// Mean reflectance over a set of pixels as a density, with the standard error of the mean.
// NaN pixels are left out. `mask` (255 = use) may be empty. sd = from the scatter between
// blocks of `block_px` (grain is correlated, single pixels would understate it).
// Returns sd = infinity if fewer than 2 blocks hold pixels; NaN value if no pixel is left.
struct TonePatch {
  Density density = Density::of(0);
  double sd_of_mean = 0;   // log10 units
  double grain_sd = 0;     // scatter of single pixels, as reflectance
  double pixels = 0;
};
TonePatch mean_tone(const cv::Mat1f& relative, const cv::Rect& where, const cv::Mat1b& mask = {},
                    int block_px = 12);

}  // namespace rebite::scan

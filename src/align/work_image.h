// A scan at the few resolutions that the alignment works in.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "align/spline_warp.h"
#include "scan/density_image.h"

namespace rebite::align {

// Density above paper at one resolution, square pixels. Place mm lies at mm * px_per_mm - 0.5.
struct Level {
  double px_per_mm = 0;
  cv::Mat1f density;  // 0 where unknown
  cv::Mat1b known;    // 255 where measured
  // Locally normalised density (see local_norm.h), 0 where unknown; empty until asked for.
  cv::Mat1f grain;
  // The same of the density blurred until grain is gone: lines and edges of tone. Likewise.
  cv::Mat1f form;
  cv::Size2d size_mm() const { return {known.cols / px_per_mm, known.rows / px_per_mm}; }
};

// The scale to work in. Where the scan carries no resolution, 300 dpi is taken and `real` is false.
struct WorkScale {
  ScanScale scale;
  bool real = true;
};
WorkScale work_scale(const scan::ScanInfo& info);

// The scan at px_per_mm, reduced by area averaging in reflectance, then density.
// Needs px_per_mm <= the scan's own resolution (a part in a thousand of slack).
Level make_level(const cv::Mat1f& relative, ScanScale scale, double px_per_mm, int threads);

}  // namespace rebite::align

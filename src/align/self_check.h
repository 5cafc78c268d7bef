// What the alignment knows of its own error.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "align/alignment.h"
#include "align/robust_fit.h"

namespace rebite::align {

struct SelfCheck {
  double held_out_median_mm = 0;  // |residual| of patches in blocks that were left out of the fit
  double held_out_p95_mm = 0;
  double inflation = 1;  // held-out residuals against what the fit expected of them, as a
                         // factor on variances
  int held_out = 0;      // patches
};

// Blocks of 12 mm left out in four turns, each patch predicted by a fit that did not see its block.
SelfCheck blocked_cross_validation(SplineFit& system,
                                   const std::vector<Measured>& data,
                                   const RobustFit& fit,
                                   double floor_mm);

// Estimated error (one sd of one coordinate) on a grid of nodes, read by bilinear interpolation.
class SigmaMap {
 public:
  // From the last solve of `system` (all data in), variances times `inflation`, plus floor.
  SigmaMap(const SplineFit& system,
           const cv::Rect2d& area_mm,
           double step_mm,
           double inflation,
           double floor_mm);
  double at(cv::Point2d mm) const;

 private:
  cv::Rect2d area_;
  int nx_ = 1, ny_ = 1;
  std::vector<double> sigma_;
};

// Median and 95th percentile of the error's length over places with these sigmas, the error at each
// being a two-dimensional normal one (Rayleigh distributed in length).
ErrorMm error_over(const std::vector<double>& sigmas);

}  // namespace rebite::align

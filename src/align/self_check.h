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
  int held_out = 0;  // patches
  // Factors on the fit's own variances, near a match (up to 3 mm) and far from any (6 mm and more);
  // between the two it rises evenly.
  double near_inflation = 1, far_inflation = 1;
  double inflation(double distance_mm) const;  // of the nearest match
};

// Blocks left out in four turns, each patch predicted by a fit that did not see its block. A block
// is as large as a painted area may be (12 to 24 mm), because that is where the fit is least sure
// of itself. A held-out patch tells of the fit only where the fit's variance there is larger than
// the patch's own; near a match the patch's noise hides the fit's, and the fit's variance is taken
// with a factor measured on made pairs. `dense`: matches everywhere but in painted areas (grain);
// else (lines) every place is far in one direction or the other.
SelfCheck blocked_cross_validation(SplineFit& system,
                                   const std::vector<Measured>& data,
                                   const RobustFit& fit,
                                   double floor_mm,
                                   const cv::Rect2d& area_mm,
                                   bool dense);

// Distance to the nearest matched patch (or pin) that the fit accepts; 1e9 where there is none.
class NearestMatch {
 public:
  explicit NearestMatch(const std::vector<Measured>& data);
  double operator()(cv::Point2d mm) const;

 private:
  static constexpr double kBucket = 6;  // mm
  cv::Point2d origin_;
  int nx_ = 0, ny_ = 0;
  std::vector<std::vector<cv::Point2d>> buckets_;  // row by row
};

// Estimated error (one sd of one coordinate) on a grid of nodes, read by bilinear interpolation.
class SigmaMap {
 public:
  // From the last solve of `system` (all data in), variances times `check.inflation`, plus floor.
  SigmaMap(const SplineFit& system,
           const std::vector<Measured>& data,
           const cv::Rect2d& area_mm,
           double step_mm,
           const SelfCheck& check,
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

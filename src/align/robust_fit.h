// The smooth displacement that most of the measured patches agree on.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "align/spline_fit.h"

namespace rebite::align {

// One measured displacement as it came from a patch.
struct Measured {
  cv::Point2d at;          // proof mm
  cv::Vec2d shift;         // u there, mm
  cv::Matx22d covariance;  // by the patch-matching law, mm^2, scale not yet calibrated
  int set = 0;             // patches of one level and size share a calibration
  int directions = 2;      // in which the shift is known
  bool patch = true;       // matched texture; false: a place on the plate's edge
  bool sd_known = false;   // its covariance was measured: residuals do not calibrate it
  bool fixed = false;      // a pin: its covariance is what it is, and it is never an outlier
  double overlap = 1;      // how often each pixel was used in its set: (side / step)^2, >= 1
  double weight = 1;       // robust weight after a fit, 0..1
  double misfit = 0;       // squared length of the residual in its own sd, after a fit
};

struct RobustFit {
  SplineFit::Answer answer;
  SmoothnessPrior prior;
  std::vector<double> set_scale;  // variance factor of each set, from the residuals
  double log_evidence = 0;
};

struct RobustRule {
  SmoothnessPrior prior;
  double floor_mm = 0.001;    // resampling and curvature within a patch, not in the law
  double least_scale = 0.1;   // of a set's variances: how far residuals may shrink the law
  bool fixed_scale = false;   // the covariances are what they are: no calibration by residuals
  double start_width = 8;     // of the first stage's weight function, in sd
  bool keep_weights = false;  // start from the weights that the data carry, last stage only
  int kept_rounds = 2;        // of that stage
  std::vector<double> start_scale;  // variance factors of the sets to start from; else 1
  bool choose_prior = false;        // by marginal likelihood
};

// Geman-McClure weights in three stages, stiff and wide first, so that outliers that agree with
// each other (new lines drawn along old ones) do not get to bend the sheet. Sets weight and misfit.
// `rough`, where given, is the same area on a wider grid: it does for the two stiff stages.
RobustFit fit_robustly(SplineFit& system,
                       std::vector<Measured>& data,
                       const RobustRule& rule,
                       SplineFit* rough = nullptr);

// Data in the form that SplineFit takes, with the weights of the last fit.
std::vector<FitDatum> as_fit_data(const std::vector<Measured>& data,
                                  const std::vector<double>& set_scale,
                                  double floor_mm);

}  // namespace rebite::align

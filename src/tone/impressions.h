// Several impressions of one state.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

namespace rebite::tone {

struct MeanImpression {
  cv::Mat1f proof;       // mean reflectance, inked and wiped as the impressions are on average
  double wiping_sd = 0;  // what single impressions differ by beyond their smooth difference, 1 sd
                         // at region scale, of one impression; 0 when there is only one
  int count = 1;
};

// `further` impressions lie on the same grid as `proof`; NaN where one does not reach. Each is
// brought to the proof's inking first, so that no seam shows where one ends.
MeanImpression mean_impression(const cv::Mat1f& proof,
                               const cv::Mat1b& usable,
                               const cv::Mat1f& sigma_mm,
                               double px_per_mm,
                               const std::vector<cv::Mat1f>& further);

}  // namespace rebite::tone

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
  // Of each further impression: where it still differs from the proof once their smooth difference
  // is taken off, as two prints of one state never do.
  struct Unlike {
    double share = 0;  // of the plate, within 0..1
    double most = 0;   // D: nine tenths of those places differ by less
  };
  std::vector<Unlike> unlike;
};

// Beyond this the impression is of another state. `share` counts places that differ, over some
// 3 mm, by more than 0.07 D or six times the spread left over, whichever is more. Prints of one
// state of the plate maker reached 0.028 (wiping of 0.02 to 0.05 D, contrasts of 0.88 to 1.12, 90
// prints: measure_impressions), the painted drawing 0.25 and more. What is smaller than this share
// of the plate, or fainter, passes: of plates with 7 to 25 % bitten again for half a minute, one and
// two minutes 9, 3 and 1 of 30 did. Where such a print differs by some two thirds of that, the proof
// alone counts.
inline constexpr double most_unlike = 0.06;
// From this share on the user is told of it.
inline constexpr double told_unlike = 0.005;

// `further` impressions lie on the same grid as `proof`; NaN where one does not reach. Each is
// brought to the proof's inking first, so that no seam shows where one ends, and left out of the mean
// where it is unlike the proof.
MeanImpression mean_impression(const cv::Mat1f& proof,
                               const cv::Mat1b& usable,
                               const cv::Mat1f& sigma_mm,
                               double px_per_mm,
                               const std::vector<cv::Mat1f>& further);

}  // namespace rebite::tone

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
// 3 mm, by more than 0.07 D or six times the spread left over, whichever is more. Between the most
// that prints of one state of the plate maker reached (wiping of 0.05 D, contrasts of 0.85 to 1.15,
// plate tone: 0.023) and the least of plates with one area bitten once more (0.18). What is smaller
// than this share of the plate passes.
inline constexpr double most_unlike = 0.06;

// `further` impressions lie on the same grid as `proof`; NaN where one does not reach. Each is
// brought to the proof's inking first, so that no seam shows where one ends.
MeanImpression mean_impression(const cv::Mat1f& proof,
                               const cv::Mat1b& usable,
                               const cv::Mat1f& sigma_mm,
                               double px_per_mm,
                               const std::vector<cv::Mat1f>& further);

}  // namespace rebite::tone

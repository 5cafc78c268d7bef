// The pictures that sheets show: both impressions in the plate's frame, and the next proof.
#pragma once

#include "align/plate_pair.h"
#include "sheets/sheet_content.h"

namespace rebite::jobs {

// Relative reflectance (1 = paper) as 8-bit sRGB grey (IEC 61966-2-1), paper a little below white;
// NaN becomes paper.
cv::Mat1b as_grey(const cv::Mat1f& relative);

// How a region's pixels change so that its mean becomes the predicted one while its grain stays:
// darker multiplies the light that is left (as a new ground does), lighter shrinks the ink.
//   r' = r * k            for k = R_predicted / R_now <= 1
//   r' = 1 - (1 - r) * k  for k = (1 - R_predicted) / (1 - R_now) otherwise
class NextTone {
 public:
  explicit NextTone(const plan::BitePlan& plan);
  float at(int region_id, float relative) const;

 private:
  struct Change {
    bool darker = true;
    float k = 1;
  };
  std::vector<Change> by_id_;
};

// The pair's proof as the plan would leave it, in the plate frame. `labels` may be of another
// resolution than the picture.
cv::Mat1f next_proof_in_plate(const cv::Mat1f& proof, const cv::Mat1w& labels, const NextTone&);
// The whole proof scan as the plan would leave it.
cv::Mat1b next_proof_scan(const scan::DensityImage& proof,
                          const align::PlateMark& mark,
                          const cv::Mat1w& labels,
                          const align::PlateGrid& grid,
                          const NextTone&);

}  // namespace rebite::jobs

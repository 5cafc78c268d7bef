// The pictures that sheets show: both impressions in the plate's frame, and the next proof.
#pragma once

#include <cmath>

#include "align/plate_pair.h"
#include "sheets/sheet_content.h"

namespace rebite::jobs {

// Relative reflectance (1 = paper) as 8-bit sRGB grey (IEC 61966-2-1), paper a little below white;
// NaN becomes paper.
cv::Mat1b as_grey(const cv::Mat1f& relative);
// Back again, to within a code.
cv::Mat1f relative_of_grey(const cv::Mat1b& grey);

// How a region's pixels change so that its mean becomes the predicted one while its grain stays:
// darker multiplies the light that is left (as a new ground does), lighter shrinks the ink.
//   r' = r * k            for k = R_predicted / R_now <= 1
//   r' = 1 - (1 - r) * k  for k = (1 - R_predicted) / (1 - R_now) otherwise
// In a soft passage each place follows the drawing's own tone there: no step where one region ends.
class NextTone {
 public:
  // Both must outlive this.
  NextTone(const plan::BitePlan& plan, const tone::RegionMap& map);
  // `row`, `col` in the region map; outside it the pixel stays.
  float at(int row, int col, float relative) const;
  // The same for every place of the map at once, as one number each: k, with a minus (also before
  // 0) where the place becomes lighter; 1 where it stays. `apply` is its meaning.
  cv::Mat1f factors() const;
  static float apply(float factor, float relative) {
    return std::signbit(factor) ? 1 + (1 - relative) * factor : relative * factor;
  }

 private:
  struct Change {
    bool soft = false;
    float darkest = 99;  // of a soft passage: no place of it comes darker than this density
    bool darker = true;
    float k = 1;
  };
  static Change change(double now, double next);
  Change change_at(int row, int col) const;  // in the map
  const tone::RegionMap& map_;
  std::vector<Change> by_id_;
};

// The pair's proof as the plan would leave it, in the plate frame. The region map (`map_size`) may
// be of another resolution than the picture.
cv::Mat1f next_proof_in_plate(const cv::Mat1f& proof, cv::Size map_size, const NextTone&);
// The whole proof scan as the plan would leave it.
cv::Mat1b next_proof_scan(const scan::DensityImage& proof,
                          const align::PlateMark& mark,
                          const align::PlateGrid& grid,
                          const NextTone&);

}  // namespace rebite::jobs

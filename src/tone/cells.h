// The pair on a coarser grid of cells (about 0.25 mm), the working grid of the segmentation: fine
// enough for a border to 0.1 mm, coarse enough that most of the grain is averaged already.
#pragma once

#include <opencv2/core.hpp>

#include "align/plate_pair.h"

namespace rebite::tone {

// work(row) for every row, side by side on all threads. Nothing may be summed over rows: so the
// number of threads changes nothing.
template <class Work>
void for_rows(int rows, const Work& work) {
  cv::parallel_for_(cv::Range(0, rows), [&](const cv::Range& some) {
    for (int i = some.start; i < some.end; ++i) work(i);
  });
}

struct Cells {
  int factor = 1;    // grid pixels per cell side
  double mm = 0.25;  // side of a cell in plate mm
  cv::Mat1f proof;   // mean reflectance over the usable pixels of the cell; NaN: none
  cv::Mat1f drawing;
  cv::Mat1b usable;     // 255: at least half of the cell's pixels can be used
  cv::Mat1f sigma_mm;   // alignment error
  cv::Mat1f noise_now;  // standard error of log10 reflectance of the proof over 1 mm2, from grain
  cv::Mat1f noise_gap;  // the same of the gap; small where the two impressions share their grain
};

// `usable` (255) is of the full grid: seen, finite in both, not to be left alone.
Cells make_cells(const cv::Mat1f& proof,
                 const cv::Mat1f& drawing,
                 const cv::Mat1b& usable,
                 const cv::Mat1f& sigma_mm,
                 double px_per_mm);

// Reflectances below this say nothing more than "black"; logarithms stop here (D 2.7).
inline constexpr float kDarkest = 0.002F;
double density_of(double reflectance);

// Mean over the pixels with weight > 0, by a Gaussian of `sigma_px` (normalised convolution: H.
// Knutsson, C.-F. Westin, CVPR 1993). NaN where no weight is near.
cv::Mat1f smooth_over(const cv::Mat1f& values, const cv::Mat1f& weight, double sigma_px);

}  // namespace rebite::tone

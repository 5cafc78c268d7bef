// Where the borders between parts run, and how narrow a part may be.
#pragma once

#include <opencv2/core.hpp>

#include "tone/cells.h"

namespace rebite::tone {

struct BorderOptions {
  double band_mm = 1.2;   // how far a border may move in one round
  double sigma_mm = 0.4;  // window over which cells vote
  double smooth = 0.2;    // weight of a smooth contour against the cells' votes
  int rounds = 2;
};

// Moves the borders to where the picture has them: each part is a two-dimensional normal law of
// (proof, drawing) reflectances, so that paint that covers grain, wash that keeps it and untouched
// metal part well even at the same mean; every cell goes to the part that explains its surroundings
// best (region competition: S. C. Zhu, A. Yuille, IEEE PAMI 18, 1996), with short contours
// preferred by threshold dynamics (S. Esedoglu, Y.-H. R. Tsai, J. Comput. Phys. 211, 2006).
// `left_out` (255): cells without a vote; may be empty. Labels 0..count-1, -1 untouched.
void move_borders(cv::Mat1i& labels,
                  int count,
                  const Cells& cells,
                  const cv::Mat1b& left_out,
                  const BorderOptions& options);

// The same once more, evaluated between the cells: labels on the full grid, contours smooth below
// the size of a cell.
cv::Mat1i fine_labels(const cv::Mat1i& labels,
                      int count,
                      const Cells& cells,
                      const cv::Mat1b& left_out,
                      const BorderOptions& options,
                      cv::Size full);

// Diameter in mm of the widest circle that fits into part k within `where`, what lies beside it
// counting as outside. `mm`: of a cell.
double width_within(const cv::Mat1i& labels, int k, cv::Rect where, double mm);
// Diameter in mm of the largest circle in each part (exact Euclidean distance transform:
// P. Felzenszwalb, D. Huttenlocher, Theory of Computing 8, 2012; as OpenCV has it).
std::vector<double> widths(const cv::Mat1i& labels, int count, double mm);

// Gives the cells of spurs and necks, where no circle of `narrow_mm` reaches, to the neighbouring
// part that loses the least tone. Corners stay.
void trim_spurs(
    cv::Mat1i& labels, int count, const Cells& cells, const cv::Mat1b& left_out, double narrow_mm);

}  // namespace rebite::tone

// Nothing narrower than the brush.
#pragma once

#include <opencv2/core.hpp>

#include "tone/cells.h"

namespace rebite::tone {

// Merges every part into which no circle of `brush_mm` fits with the neighbour that loses the least
// tone, smallest first, until none is left that has a neighbour. Renumbers 0..n-1; returns n.
int merge_narrow(
    cv::Mat1i& labels, int count, const Cells& cells, const cv::Mat1b& left_out, double brush_mm);

}  // namespace rebite::tone

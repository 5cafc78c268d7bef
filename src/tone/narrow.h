// Nothing narrower than the brush.
#pragma once

#include <opencv2/core.hpp>

#include "tone/cells.h"

namespace rebite::tone {

// What becomes of narrow parts that together are broad enough: an area stays one, but among the
// surroundings of strokes two halves of a thick stroke are to go as well.
enum class JoinedNarrow { stay, go };

// Merges every part into which no circle of `brush_mm` fits with the neighbour that loses the least
// tone, smallest first, until none is left that has a neighbour. Renumbers 0..n-1; returns n.
int merge_narrow(cv::Mat1i& labels,
                 int count,
                 const Cells& cells,
                 const cv::Mat1b& left_out,
                 double brush_mm,
                 JoinedNarrow joined = JoinedNarrow::stay);

}  // namespace rebite::tone

// Thin drawn strokes: line work, not tone.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "tone/cells.h"

namespace rebite::tone {

struct DrawnLines {
  cv::Mat1b mask;   // cell grid, 255 on a stroke
  cv::Mat1i group;  // cell grid: strokes that belong together, 0..count-1; -1 elsewhere
  int count = 0;
};

// Finds strokes narrower than half a brush and longer than four times their width that the drawing
// has and the proof has not (or has, and the drawing covers): darker or lighter by 0.18 D than the
// tone on either side. Etched lines that both impressions show are no strokes, also where the
// alignment is off by twice its stated error. `parts` (-1: none) gives the tone around; strokes
// closer than half a brush and of one sign form a group.
DrawnLines find_lines(const Cells& cells,
                      const cv::Mat1i& parts,
                      int count,
                      const cv::Mat1b& left_out,
                      double brush_mm);

// The strokes on the full grid, contours smooth below a cell's size: group number or -1.
cv::Mat1i fine_lines(const DrawnLines& lines, int factor, cv::Size full);

}  // namespace rebite::tone

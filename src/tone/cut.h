// The plate cut into parts, step by step.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "tone/cells.h"
#include "tone/partition.h"

namespace rebite::tone {

// Parts on the cell grid: labels 0..count-1, -1 where nothing can be used.
struct Cut {
  cv::Mat1i labels;
  int count = 0;
  void apply(const std::vector<int>& to);  // by a table of new numbers 0..m-1
};

// Blocks of a millimetre, merged where little is lost; borders still follow the blocks.
Cut coarse_cut(const Cells& cells, const cv::Mat1b& left_out);

// Borders moved to where the picture has them, nothing narrower than the brush, nothing kept apart
// that no eye would tell apart.
Cut fine_cut(const Cells& cells, const cv::Mat1b& left_out, double brush_mm);

// Sums over the inner part of each part: painted edges are soft, and half a millimetre of white
// paint changes the mean of a small dark part. Parts too small for that count whole.
PartGraph core_graph(const Cut& cut, const Cells& cells, const cv::Mat1b& left_out);

// 255 on the plate's outermost millimetre: its bevel, which inks and wipes in its own way.
cv::Mat1b rim_of(const Cells& cells);

}  // namespace rebite::tone

// Is there an edge between two parts, or does the tone pass over?
#pragma once

#include <map>
#include <opencv2/core.hpp>
#include <utility>

#include "tone/cells.h"
#include "tone/partition.h"

namespace rebite::tone {

// 255 on cells closer than `within_mm` to a cell of another label (-1 is another label too).
cv::Mat1b near_borders(const cv::Mat1i& labels, double within_mm, double cell_mm);

// What lies close to one border, on either side of it.
struct BorderSides {
  PartSums low, high;  // of the part with the lower and with the higher number
  double length_mm = 0;
  double jump() const { return high.gap() - low.gap(); }  // of the gap across the border
  double noise() const;                                   // its standard error from grain
};

// By (lower number, higher number): cells from `from_mm` to `to_mm` away from their common border.
std::map<std::pair<int, int>, BorderSides> border_sides(const cv::Mat1i& labels,
                                                        const Cells& cells,
                                                        const cv::Mat1b& left_out,
                                                        double from_mm = 0.5,
                                                        double to_mm = 2.0);

// Joins parts where the gap has no jump across a border of some length: an unworked plate hangs
// together this way, however unevenly it was wiped and whatever it shows. For each part its joined
// number, 0..m-1.
std::vector<int> join_without_edge(const cv::Mat1i& labels,
                                   int count,
                                   const Cells& cells,
                                   const cv::Mat1b& left_out);

// Length in mm of the borders across which the gap jumps as paint makes it and no inking does: by
// more than two visible steps (0.07 D, or three times what the grain leaves in doubt) and by more
// than a third of the jump of the tone itself (a fuller inking darkens a shade more than the light
// beside it, but follows it).
double painted_edges_mm(const cv::Mat1i& labels, const Cells& cells, const cv::Mat1b& left_out);

}  // namespace rebite::tone

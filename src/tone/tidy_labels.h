// The last touches to a label picture.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "tone/cells.h"
#include "tone/regions.h"

namespace rebite::tone {

// Pieces smaller than `least` pixels go to the label that surrounds most of them.
void remove_specks(cv::Mat1i& labels, int least);

// Labels that no pixel has left over go; the others move up, and `kind` with them.
void drop_empty(cv::Mat1i& labels, std::vector<RegionKind>& kind);

// Density by means within each part only, so that edges stay. Labels and reflectance on the cell
// grid, the answer on the full grid.
cv::Mat1f tone_map(const cv::Mat1f& reflectance,
                   const cv::Mat1i& labels,
                   int count,
                   const Cells& cells,
                   cv::Size full);

// What is left of an area beside a place that is left alone (`leave`, 255) where no brush of
// `brush_px` fits in any more becomes -1: nobody could paint up to it. Labels from `first_line` on
// are drawn lines, which are narrow. The plate's edge bounds nothing.
void drop_slivers_beside(cv::Mat1i& labels,
                         const cv::Mat1b& leave,
                         int first_line,
                         double brush_px);

}  // namespace rebite::tone

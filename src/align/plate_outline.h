// The plate mark's outline: where it roughly lies, and its sides to a fraction of a pixel.
#pragma once

#include <array>
#include <opencv2/core.hpp>
#include <optional>
#include <vector>

#include "align/work_image.h"

namespace rebite::align {

using Corners = std::array<cv::Point2d, 4>;  // mm of the scan, clockwise as seen (y down)

// The rectangle that what is printed fills, from a level of 1-2 px/mm. None when it reaches the
// scan's border on any side (a cropped plate mark: alignment.md, hazard 10), is small (under 8 % of
// the scan) or no rectangle.
std::optional<Corners> rough_outline(const Level& level);

struct Outline {
  Corners corners;
  // Places on the four sides where an edge was seen, in order along the side.
  std::array<std::vector<cv::Point2d>, 4> sides;
  double sd_mm = 0.2;  // of a corner, from the scatter along the sides
  double support = 0;  // share of places along the sides where an edge was seen, 0..1
};

// Each side is followed as the outermost edge with clean paper before it (tone rises inwards), in
// short pieces, because damp paper does not keep it straight; a corner is where the last 30 mm of
// two sides meet. None when less than half of any side shows an edge.
std::optional<Outline> refine_outline(const Level& level, const Corners& rough);

}  // namespace rebite::align

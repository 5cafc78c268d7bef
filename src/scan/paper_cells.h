// The scan as a coarse grid of cells: mean level and scatter of each, and which hang together.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

namespace rebite::scan {

struct PaperCells {
  int cols = 0, rows = 0;
  double size = 0;    // px, both ways
  cv::Mat1f level;    // log10 of the cell's trimmed mean reflectance
  cv::Mat1f scatter;  // sd / mean of its pixels
  cv::Point2d centre_px(int col, int row) const;
};

// Cells of about 2 mm (or 1/80 of the shorter side); means over at most about 500 pixels each. The
// mean is trimmed at 4 robust sd about the median, so that a pencil line or a hair does not count.
PaperCells measure_cells(const cv::Mat1f& reflectance, double px_per_mm);

// A set of even cells that hang together without a step.
struct EvenArea {
  std::vector<cv::Point> cells;
  double level = 0;               // mean log10
  int border_cells = 0;           // on the scan's border
  int sides = 0;                  // scan borders touched, 0..4
  double span_x = 0, span_y = 0;  // of its bounding box, share of the scan
};

// Cells with scatter below `scatter_limit`, joined where neighbours differ by less than
// `step_limit` (log10); areas of at least `least` cells, largest first.
std::vector<EvenArea> even_areas(const PaperCells& cells,
                                 double scatter_limit,
                                 double step_limit,
                                 int least);

}  // namespace rebite::scan

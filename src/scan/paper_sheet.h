// Where the sheet ends on the scan: what lies beyond it (the scanner's lid, a dark cloth) is not
// paper.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "scan/paper_cells.h"

namespace rebite::scan {

// How an even area looks close up.
struct AreaTexture {
  double scatter = 0;   // sd / mean of single pixels, median over cells
  double likeness = 0;  // correlation of pixels beside each other: 0 sensor noise, more: fibre
};
AreaTexture texture_of(const cv::Mat1f& reflectance, const PaperCells& cells, const EvenArea& area);

// A lid has no fibre: its scatter is the sensor's noise alone, while paper's is larger and hangs
// together from pixel to pixel. Bare paper against plate tone on the same paper never looks so.
bool is_lid_beside_paper(const AreaTexture& lid, const AreaTexture& paper);

// The sheet's outline in scan pixels (convex hull of its paper cells), or nothing when the paper
// reaches the scan's border or what lies beyond is neither a lid nor much darker than paper.
std::vector<cv::Point> sheet_outline(const cv::Mat1f& reflectance,
                                     const PaperCells& cells,
                                     const std::vector<EvenArea>& areas,
                                     const EvenArea& paper);

}  // namespace rebite::scan

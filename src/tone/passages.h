// Which parts are one area, which are a soft passage, which are left alone.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "tone/cells.h"
#include "tone/cut.h"
#include "tone/inking.h"
#include "tone/regions.h"

namespace rebite::tone {

struct Passages {
  // For each part: the region it belongs to, 0..kinds.size()-1.
  std::vector<int> region_of;
  std::vector<RegionKind> kinds;  // area, soft, still
  std::vector<double> gap;        // mean of each region
  std::vector<bool> runs;         // of parts without an edge between them whose gap runs
};

// Parts between which the gap passes over without an edge are looked at together. If the gap
// ranges over less than two and a half visible steps, or all of them are wanted black (1.2 D and
// darker), they are one area (or still, by their common mean); else those with work to do are one soft passage, save wide flat ones, which stay areas.
//
// Still: the gap is below a visible step (two where it fades without an edge: so does wiping), or
// below twice what grain, wiping and the inking fit leave in doubt.
Passages judge_passages(const Cut& parts,
                        const Cells& cells,
                        const cv::Mat1b& left_out,
                        const InkingFit& inking,
                        double brush_mm);

}  // namespace rebite::tone

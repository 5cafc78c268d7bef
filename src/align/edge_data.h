// The plate's edge, seen on both scans, as measured displacements.
#pragma once

#include <vector>

#include "align/plate_outline.h"
#include "align/robust_fit.h"
#include "align/spline_warp.h"

namespace rebite::align {

// Each place where the proof's plate mark was seen against the nearest side of the drawing's mark
// (or of the frame drawn round it), under `map`: known across the side only. Places further than
// `reach_mm` from it are left out. A drawn frame is not the plate's rim, so one sd is 0.05 mm.
std::vector<Measured> measure_edges(
    const Outline& proof, const Outline& drawing, const SmoothMap& map, double reach_mm, int set);

}  // namespace rebite::align

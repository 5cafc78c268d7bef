// The plate's edge, seen on both scans, as measured displacements.
#pragma once

#include <vector>

#include "align/plate_outline.h"
#include "align/robust_fit.h"
#include "align/spline_warp.h"

namespace rebite::align {

struct EdgeRule {
  double reach_mm = 1.5;  // places further than this from the other scan's edge are left out
  int set = 0;
  // Both are impressions of the plate: its rim is one and the same, and the scatter along it tells
  // how well it was seen. Else a drawn frame, which is not the rim: one sd is 0.05 mm.
  bool same_rim = false;
};

// Each place where the proof's plate mark was seen against the nearest side of the drawing's mark
// (or of the frame drawn round it), under `map`: known across the side only.
std::vector<Measured> measure_edges(const Outline& proof,
                                    const Outline& drawing,
                                    const SmoothMap& map,
                                    const EdgeRule& rule);

}  // namespace rebite::align

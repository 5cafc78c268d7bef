// Lighter targets: burnish, charcoal, scrape. No strokes, no minutes.
#pragma once

#include <vector>

#include "plan/bite_plan.h"

namespace rebite::plan {

inline bool lowers(Action a) { return a == Action::burnish || a == Action::scrape; }

// A gradual passage or a drawn line that must come lighter: burnished too, by eye and by degrees,
// not brushed with acid.
inline bool lowered_by_eye(const PlannedRegion& r) {
  return (r.action == Action::soft || r.action == Action::line) && r.region.gap.value() < 0;
}

// Which of the two for a region whose target is lighter.
//   scrape: a gap above 0.30 D (half of the light or more), or above 0.20 D from a deep tone
//           (now above 1.0 D): the burnisher does little on a deep bite (Lalanne 1880).
//   burnish: smaller gaps.
// The two figures are common practice, no source: none was found in density.
Action lowering_for(const tone::Region& region);

// Notes for each region to lower (effort in cm2, charcoal, hammering up) and for the borders it
// shares with a bite (a hollow misses ground and bites foul), on both sides.
void note_lowering(std::vector<PlannedRegion>& regions);

// Ids to lower, the largest area first: the long work is seen at once.
std::vector<int> lower_list(const std::vector<PlannedRegion>& regions);

}  // namespace rebite::plan

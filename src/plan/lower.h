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

// Work that comes after the dips: its tone does not show before the proof.
inline bool made_after_the_bath(const PlannedRegion& r, Ground ground) {
  return r.action == Action::soft || (ground == Ground::kept && lowers(r.action));
}

// Which of the two for a region whose target is lighter.
//   scrape: a gap above 0.30 D (half of the light or more), or above 0.20 D from a deep tone
//           (now above 1.0 D): the burnisher does little on a deep bite (Lalanne 1880).
//   burnish: smaller gaps.
// The two figures are common practice, no source: none was found in density.
Action lowering_for(const tone::Region& region);

// Notes for each region to lower (effort in cm2, charcoal, hammering up) and for the borders it
// shares with a bite, on both sides: a hollow misses the new ground and bites foul; where the
// ground is kept the lowering comes last and must spare the new tone.
void note_lowering(std::vector<PlannedRegion>& regions, Ground ground);

// Of a lowered region's notes those that must be read at the bench: a deep hollow, a border shared with
// a bite.
Notes lowering_warnings(const PlannedRegion& region);

// Ids to lower, the largest area first: the long work is seen at once. Then those lowered by eye.
std::vector<int> lower_list(const std::vector<PlannedRegion>& regions);

}  // namespace rebite::plan

// What the next proof should show.
#pragma once

#include <vector>

#include "plan/minutes.h"

namespace rebite::plan {

// Fills `predicted` and `after_stage` of every region, from the stages as really assigned:
//   bitten: the tone after the total of its stage; lowered and soft: their aim, uncertain by a
//   quarter of the change (work of the hand, no figure exists); all others: as now.
// `model` null: nothing is bitten.
void predict(std::vector<PlannedRegion>& regions,
             const std::vector<Stage>& stages,
             const BiteModel* model,
             Ground ground);

// Area-weighted means of |target - now| and |target - predicted| over the plate; `plate_area_mm2`
// 0: over the regions. What has no region counts as no gap.
Outlook outlook_of(const std::vector<PlannedRegion>& regions, double plate_area_mm2);

}  // namespace rebite::plan

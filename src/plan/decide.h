// What to do to one region.
#pragma once

#include <optional>

#include "plan/minutes.h"
#include "plan/plan_bites.h"

namespace rebite::plan {

// A gap below this is left alone: the visible step at the lighter of the two tones, or twice the
// gap's own standard error where that is more.
double hold_below(const tone::Region& region);

// The action, the minutes (bite, beyond) and the notes of one region. `model` null: no wedge.
// `edit` null: none. Stage and prediction are filled in later.
PlannedRegion decide(const tone::Region& region, const BiteModel* model, const Edit* edit);

}  // namespace rebite::plan

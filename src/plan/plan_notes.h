// What a plan says in words: notes and cautions.
#pragma once

#include "plan/conditions.h"
#include "plan/plan_bites.h"

namespace rebite::plan {

// Adds the notes that follow from the finished plan: the ground's rule, why there are no minutes,
// stages and control strip, copper, metal against mordant, edits that met no region.
void add_notes(BitePlan& plan, const wedge::Batch* batch, const PlanOptions& options);

// Of the mordant, the ground and the work that the plan names, one line each; the last one defers to
// the safety data sheet and local rules. Empty when nothing is to be done.
Notes cautions_for(const BitePlan& plan, const wedge::Batch* batch);

// Rinse, dry, stop out, let it dry: 15 minutes between two dips, of which 10 are a quick-drying
// varnish (Lalanne 1880) and 5 the rest (common practice, no source).
inline constexpr BiteTime handling_between_dips = BiteTime::minutes(15);

}  // namespace rebite::plan

// The rules that every finished plan keeps.
#pragma once

#include <string>
#include <vector>

#include "plan/bite_plan.h"

namespace rebite::plan {

// One sentence per broken rule; empty for a sound plan. plan_bites asserts it; tests use it on
// thousands of random plans.
//   times: finite, 0 <= low <= best <= high, advised <= best, only for bite and beyond;
//   stages: numbered from 1, dips above 0, total = sum of the dips so far;
//   stop-out only grows: what is stopped out stays so, every region is stopped out once or open to
//   the end, still_open holds exactly the regions of this and later stages;
//   lower_first holds exactly what is to burnish or scrape, by eye too;
//   after_stage: one tone per stage, never lighter by a further dip, the last as predicted
//   (but for work that comes after the dips);
//   the stage table never loses by a further stage and has one chosen row;
//   without a batch: no minutes, no stages.
std::vector<std::string> broken_rules(const BitePlan& plan);

}  // namespace rebite::plan

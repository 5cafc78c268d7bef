// Few stages that lose little tone.
#pragma once

#include <functional>
#include <optional>
#include <vector>

#include "plan/bite_plan.h"

namespace rebite::plan {

// An area that wants a bite.
struct StageArea {
  double area_mm2 = 0;
  BiteTime wanted = BiteTime::minutes(0);    // its own advised total
  Density wanted_tone = Density::of(0);      // what that gives
  std::function<Density(BiteTime)> reached;  // tone after a total; never falls with time
};

struct StageOptions {
  std::optional<int> stages = {};            // none: at the knee; 0: as many as there are times
  BiteTime shortest = BiteTime::seconds(5);  // between two totals
  double overshoot_weight = 4;               // a log10 unit too dark against one too light
};

struct StageTimes {
  std::vector<BiteTime> totals;    // rising, whole seconds
  std::vector<int> stage_of;       // per area: 1..totals; 0: left unbitten
  std::vector<StageChoice> table;  // from one stage on
  double loss = 0;                 // of the stages chosen
  Notes notes;
};

// The overshoot weight that belongs to a risk: weighing errors (1 - risk) / risk to 1 puts the best
// time where the chance of overshoot is the risk (the quantile as the least of a skewed loss).
double overshoot_weight(double risk);

// Exact optimum for each number of stages (at most so many). What is chosen: the totals, out of the
// areas' own times (whole seconds) and the shortest dip; and for each area one of the totals or no
// bite. What is least: sum of area * loss, loss = tone lost against the area's own time, overshoot
// weighed.
//
// Why the dynamic programme is exact: an area's loss never rises towards its own time from either
// side (tone never falls with time), so of any set of totals only the two next to its own time can
// be best for it; the cost of a set is therefore a sum over its consecutive pairs, which is what
// cheapest_chains minimises. (A test compares with all subsets and all assignments.)
//
// The knee: the fewest stages after which no number of further ones is worth its work, a stage
// being a quarter of an hour of rinsing, stopping out and drying: each would gain less than 0.005 D
// over the bitten area (a sixth of a visible step in the lights) and bring at most 2 % more of it
// within a visible step of its own tone; never more than 8 (4 to 8 stages are usual: trade).
// Totals are the areas' own times, so that each stage is exactly right for someone; any times at
// all would lose hardly less (measure_plan: 0.0484 against 0.0486 D with two stages).
// More than 160 different times are first gathered into 160 classes (of ln time, optimal_classes).
StageTimes choose_stages(const std::vector<StageArea>& areas, const StageOptions& options);

// The candidate totals of choose_stages in seconds, rising; without 0.
std::vector<double> candidate_seconds(const std::vector<StageArea>& areas, BiteTime shortest);

inline constexpr int most_stages = 30;  // the trade's longest plans

}  // namespace rebite::plan

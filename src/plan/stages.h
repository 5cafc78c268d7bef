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
  bool by_hand = false;  // `wanted` was set by a person, who may know what the wedge does not
  // Where the wedge ends for it: past that (and past its own time) the tone that `reached` tells is
  // a guess, the metal suffers. None: no end.
  std::optional<BiteTime> longest = {};
};

// What the tone alone does not tell of a total, in log10 units for each factor of two (judgements,
// no source): a time set by hand that is not given, as if its area were at least this share of all;
// and time past the end of the wedge, weighed as overshoot is.
inline constexpr double hand_loss = 1.0, least_hand_share = 0.1, past_end_loss = 0.1;

struct StageOptions {
  std::optional<int> stages = {};            // none: at the knee; 0: as many as there are times
  BiteTime shortest = BiteTime::seconds(5);  // between two totals
  double overshoot_weight = 4;               // a log10 unit too dark against one too light
  // How far a hand is off on one dip, 1 sd (common practice, no source): a fifth of a dip of five
  // seconds, nothing of one of five minutes.
  BiteTime hand_sd = BiteTime::seconds(1);
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
// weighed, and the mean tone that the hand's timing is off by at that total: 0.8 sd * dD/dt
// (E|x| = 0.8 sd of a normal law).
//
// Why the dynamic programme is exact: an area's loss never rises towards its own time from either
// side (tone never falls with time; what the hand adds is held to that), so of any set of totals
// only the two next to its own time can be best for it; the cost of a set is therefore a sum over
// its consecutive pairs, which is what cheapest_chains minimises. (A test compares with all subsets
// and all assignments.)
//
// Two losses that the tone does not show are added (hand_loss, past_end_loss): so a time set by
// hand has its own stage where there are stages for it and it is not within some 5 % of another.
//
// The knee: the fewest stages after which no number of further ones is worth its work, a stage
// being a quarter of an hour of rinsing, stopping out and drying: each would gain less than 0.006 D
// over the bitten area (a fifth of a visible step in the lights) and bring less than 5 % more of it
// within a visible step of its own tone; never more than 8 (4 to 8 stages are usual: trade).
// Totals are the areas' own times, so that each stage is exactly right for someone; any times at
// all would lose hardly less (measure_plan: 0.0484 against 0.0486 D with two stages).
// More than 160 different times are first gathered into 160 classes (of ln time, optimal_classes).
StageTimes choose_stages(const std::vector<StageArea>& areas, const StageOptions& options);

// How long areas that no time makes dark enough are worth staying in the bath: from `ordinary` (the
// longest time that the others want) on, as long as the tone gained over the whole bitten area
// (`all_mm2`, theirs included) pays for the minutes as a stage pays for its quarter of an hour
// (0.006 D). A small door does not hold the plate in the bath for half an hour for a tone that
// nobody sees; a picture that is all black is bitten to the end.
BiteTime worth_staying(const std::vector<StageArea>& areas, BiteTime ordinary, double all_mm2);

// The candidate totals of choose_stages in seconds, rising; without 0.
std::vector<double> candidate_seconds(const std::vector<StageArea>& areas, BiteTime shortest);

inline constexpr int most_stages = 30;  // the trade's longest plans

}  // namespace rebite::plan

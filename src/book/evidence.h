// What one state's proof says about the speed of its bath.
//
// Model, for the regions i of one plan and the next state's proof:
//   reached_i = D(now_i, w_i / (s c_i)) + u + e_i
//   D    the plan's own bite model (kept or fresh ground) on the batch's wedge curve
//   w_i  minutes in the bath, turned to the wedge's temperature dip by dip
//   s    the batch's speed, a factor on time (above 1: slower), one for the state
//   c_i  1, or (w_i / mean)^slope when it is asked whether the curve itself has changed
//   u    what the wiping of this one sheet adds everywhere, N(0, 0.03 D): shared by all regions,
//   and
//        told from biting by the regions that were not bitten (for them D = now)
//   e_i  N(0, sd_i): both readings and the curve's own error
// Student t with 4 degrees of freedom for e_i (Lange, Little & Taylor 1989, JASA 84:881), so that a
// region that went wrong (foul bite, a slip of the stop-out) does not pull the rest. Gauss-Newton
// with those weights from the best point of a grid.
#pragma once

#include <optional>
#include <vector>

#include "book/records.h"
#include "plan/bite_plan.h"
#include "wedge/tone_curve.h"

namespace rebite::book {

struct RegionOutcome {
  int region = 0;
  double wedge_minutes = 0;  // at speed 1 and the wedge's temperature; 0: was not bitten
  double now = 0, now_sd = 0;
  double predicted = 0;
  double reached = 0, reached_sd = 0;
};

// How one region answered.
struct RegionAnswer {
  int region = 0;
  double minutes = 0;                   // as RegionOutcome::wedge_minutes
  std::optional<double> wedge_minutes;  // what the wedge needs for the tone reached; none: past
                                        // the curve's useful end, or lighter than before
  double predicted = 0, reached = 0;    // density
  double weight = 1;                    // near 1: agrees with the others; near 0: left aside
};

struct StateEvidence {
  double ln_speed = 0;  // ln s
  double sd = 0;        // of it, all but the temperature's
  int regions = 0;      // bitten ones
  double inking = 0;    // u, density
  double slope = 0, slope_sd = 0;
  // By how much the logarithm of a bitten region's time answers to that of the overlap q of fresh
  // grounds: the regions' mean, and their spread about it. 0 on a kept ground.
  double overlap_answer = 0, overlap_spread = 0;
  std::vector<RegionAnswer> answers;
};

// Empty when no region was bitten or none tells anything (all saturated).
std::optional<StateEvidence> weigh(const std::vector<RegionOutcome>& all,
                                   const wedge::Batch& batch,
                                   plan::Ground ground);

// Outcomes of one use of a batch: minutes as really taken where a bite was recorded (none where it
// was struck out and nothing entered in its place: that dip was not made), else as planned; each
// dip turned to the wedge's temperature (`ln_sd`: uncertainty of that, shared).
// Regions that were lowered by hand, soft or lines are left out.
struct Outcomes {
  std::vector<RegionOutcome> regions;
  double temperature_ln_sd = 0;
  double mean_factor = 1;   // of temperature, over the dips
  double area_minutes = 0;  // sum of mm2 * minutes in the bath, for the copper taken up
  bool as_planned = false;  // some dips were not recorded: the plan's minutes were taken
};
Outcomes outcomes_of(const BatchUse& use, const wedge::Batch& batch);

}  // namespace rebite::book

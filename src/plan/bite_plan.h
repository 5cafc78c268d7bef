// What to do to the plate.
#pragma once

#include <optional>
#include <string>
#include <string_view>
#include <vector>

#include "tone/regions.h"
#include "units/bite_time.h"
#include "units/density.h"
#include "units/temperature.h"
#include "wedge/tone_curve.h"

namespace rebite::plan {

// fresh: a new ground over the old tones (the default: a proofed plate has been cleaned).
// kept: the ground of the last bite is still on the plate and the bite continues.
enum class Ground { fresh, kept };

enum class Action { bite, burnish, scrape, hold, line, soft, beyond };
const char* word(Action);  // the JSON word
std::optional<Action> action_of(std::string_view text);

// low..high is the 90 % interval; advised <= best is the time to give (risk of overshoot bounded).
struct Minutes {
  BiteTime low = BiteTime::minutes(0);
  BiteTime best = BiteTime::minutes(0);
  BiteTime high = BiteTime::minutes(0);
  BiteTime advised = BiteTime::minutes(0);
};

struct PlannedRegion {
  tone::Region region;
  Action action = Action::hold;
  std::optional<Minutes> minutes;  // bite (and beyond: to the nearest reachable tone)
  bool by_hand = false;            // action, target or minutes were set by an edit
  bool time_by_hand = false;       // minutes were
  int stage = 0;                   // of the stage after which it is stopped out; 0 = never bitten
  DensityEstimate predicted;       // after the plan (what the next proof should show)
  // After each dip, as many as there are stages: what the bath has made of it so far. Lowered
  // areas are at their aim from the first on where a new ground is laid after the work, and stay as
  // they are where the ground is kept (the work comes last); soft ones stay as they are (the hand
  // makes them, no dip).
  std::vector<DensityEstimate> after_stage;
  // soft and line, darker: what the wedge took for that change. A rough guide for free-hand work,
  // no advice: brushed acid and needled lines do not follow the wedge.
  std::optional<BiteTime> guide;
  // beyond, and soft passages whose tone (or dark end) is out of reach: the darkest tone in reach.
  std::optional<Density> nearest;
  // The tone to work to where it is not the target: no darker than a soft passage can be made, no
  // lighter than bare metal prints.
  std::optional<Density> nearer_aim;
  Density aim() const { return nearer_aim.value_or(region.target.value); }
  Notes notes;  // the region's own first, then the plan's
};

struct Stage {
  int number = 1;
  BiteTime dip = BiteTime::minutes(0);    // this dip
  BiteTime total = BiteTime::minutes(0);  // dips so far
  std::vector<int> stop_out_before;       // region ids to stop out before this dip
  std::vector<int> still_open;            // region ids that this dip bites
};

// What each number of stages costs in tone.
struct StageChoice {
  int stages = 0;
  // Area-weighted mean tone error over the areas to bite, against the tone that each one's own
  // advised time would give, log10 units; overshoot counts (1 - risk) / risk times. Times set by
  // hand that are not given and time past the wedge's end count too (stages.h).
  double loss = 0;
  double gain = 0;  // against one stage fewer (of the first: against no bite at all)
  bool chosen = false;
};

struct Outlook {
  double mean_gap_before = 0;  // area-weighted mean |gap| over the whole plate, log10 units
  double mean_gap_after = 0;
};

// A strip left open at the plate's margin, outside the picture: one patch per stage, stopped out
// with it, so that each state carries its own check of the bath.
struct ControlPatch {
  int stage = 1;
  BiteTime total = BiteTime::minutes(0);
  DensityEstimate expected;  // of unbitten metal under the ground, after that total
};

struct BitePlan {
  Ground ground = Ground::fresh;
  std::string batch;              // name; empty: planned without a wedge
  std::optional<Temperature> bath;  // stated, else the wedge's; none: not known
  double temperature_factor = 1;    // on time, against the wedge's temperature
  double temperature_factor_sd = 0;
  double time_factor = 1;          // all factors on time: temperature and learned speed
  double time_factor_ln_sd = 0;    // of its natural logarithm
  bool new_wedge_advised = false;  // the bath is too far from what the wedge saw
  double risk = 0.2;
  std::vector<PlannedRegion> regions;  // by id
  std::vector<Stage> stages;
  std::vector<StageChoice> stage_table;
  // To scrape or burnish before the new ground is laid (kept ground: after this bite): areas, the
  // largest first, then gradual passages and lines to be lowered by eye.
  std::vector<int> lower_first;
  std::optional<BiteTime> handling;         // estimated time between dips, all stages together
  std::vector<ControlPatch> control_strip;  // as many as stages; empty: no stages
  Outlook outlook;
  Notes notes, cautions;
};

}  // namespace rebite::plan

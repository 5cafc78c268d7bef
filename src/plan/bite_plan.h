// What to do to the plate.
#pragma once

#include <optional>
#include <string>
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
const char* word(Action);           // the JSON word
std::optional<Action> action_of(std::string_view word);

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
  std::optional<Minutes> minutes;   // bite (and beyond: to the nearest reachable tone)
  int stage = 0;                    // of the stage after which it is stopped out; 0 = never bitten
  DensityEstimate predicted;        // after the plan (what the next proof should show)
  std::optional<Density> nearest;   // beyond: the darkest tone in reach
  Notes notes;
};

struct Stage {
  int number = 1;
  BiteTime dip = BiteTime::minutes(0);     // this dip
  BiteTime total = BiteTime::minutes(0);   // dips so far
  std::vector<int> stop_out_before;        // region ids to stop out before this dip
  std::vector<int> still_open;             // region ids that this dip bites
};

// What each number of stages costs in tone.
struct StageChoice {
  int stages = 0;
  double loss = 0;          // area-weighted mean |tone error|, log10 units
  double gain = 0;          // against one stage fewer
  bool chosen = false;
};

struct Outlook {
  double mean_gap_before = 0;   // area-weighted mean |gap| over the whole plate, log10 units
  double mean_gap_after = 0;
};

struct BitePlan {
  Ground ground = Ground::fresh;
  std::string batch;                      // name; empty: planned without a wedge
  double temperature_factor = 1;          // on time, against the wedge's temperature
  double temperature_factor_sd = 0;
  double risk = 0.2;
  std::vector<PlannedRegion> regions;     // by id
  std::vector<Stage> stages;
  std::vector<StageChoice> stage_table;
  std::vector<int> lower_first;           // to scrape or burnish before the new ground is laid
  std::optional<BiteTime> handling;       // estimated time between dips, all stages together
  Outlook outlook;
  Notes notes, cautions;
};

}  // namespace rebite::plan

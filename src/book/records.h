// What the record book holds, as plain data. Empty optionals and empty texts mean "not known".
#pragma once

#include <cstdint>
#include <optional>
#include <string>
#include <utility>
#include <vector>

#include "units/lengths.h"
#include "units/problem.h"

namespace rebite::book {

using Id = std::int64_t;  // 0: not in the book yet

// Texts, names and paths must be UTF-8: anything else would not come out of an export as it went
// in. Every writing call refuses (data) what is not.
bool can_be_entered(const std::string& text);

struct Plate {
  Id id = 0;
  std::string title;  // names the plate; no two alike
  std::string metal;
  SizeMm size;
  std::optional<double> thickness_mm;
  std::string note;
};

struct MordantBatch {
  Id id = 0;
  std::string name, mordant, strength;
  std::string mixed_on;  // ISO date
  std::optional<double> volume_l;
};

// One wedge bitten in a batch: the whole text of its batch file. A batch may have several over
// time.
struct WedgeRecord {
  Id id = 0, batch = 0;
  std::string bitten_on;
  std::string text;
};

struct GroundRecord {
  Id id = 0;
  std::string name;  // "rosin, fine"
  std::string note;
};

// A scan stays where it is: the book only knows where, what it was, and a small preview.
struct ScanRecord {
  std::string path;
  std::string sha256;
  std::int64_t bytes = 0;
  std::string preview;  // PNG or JPEG bytes; may be empty
};

struct State {
  Id id = 0, plate = 0;
  int number = 1;
  std::string date;  // ISO date
  std::optional<int> impressions_printed;
  std::string note;
  std::vector<ScanRecord> proofs;
  std::optional<ScanRecord> drawing;
  std::string alignment;  // JSON, may be empty
};

// What one region was promised and what the next state showed.
struct Prediction {
  Id plan = 0;
  int region = 0;
  std::string action;  // JSON word of plan::Action
  double area_mm2 = 0;
  double minutes = 0;  // planned total in the bath; 0: not bitten
  int stage = 0;       // after which it is stopped out; 0: never bitten
  double now = 0, now_sd = 0;
  double target = 0;
  double predicted = 0, predicted_sd = 0;
  std::optional<double> reached, reached_sd;
  Id reached_state = 0;
};

struct PlanRecord {
  Id id = 0, state = 0;
  Id wedge = 0;   // 0: planned without
  Id ground = 0;  // 0: not said
  std::optional<double> temperature_c;
  double temperature_factor = 1, temperature_ln_sd = 0;
  bool kept_ground = false;
  double speed = 1, speed_ln_sd = 0;  // that the plan was made with
  std::string made_on;
  std::string text;         // the whole plan.json
  std::string regions_png;  // label picture, may be empty
  double px_per_mm = 0;     // of that picture
  bool current = false;     // the plan of its state that counts; read only
};

// A bite or lowering that was entered wrongly is never deleted: a later entry says that it does not
// count.
struct StruckOut {
  std::string on;   // ISO date, may be empty
  std::string why;  // may be empty
};

struct Bite {
  Id id = 0, state = 0;
  int stage = 1;
  double minutes = 0;
  std::optional<double> temperature_c;
  Id batch = 0;  // 0: not said
  std::string done_on, note;
  std::optional<StruckOut> struck = {};  // set: it does not count
};

// Burnished or scraped, as done.
struct Lowering {
  Id id = 0, state = 0;
  int region = 0;   // of the state's plan; 0: not said
  std::string how;  // burnish, scrape, charcoal
  std::string done_on, note;
  std::optional<StruckOut> struck = {};
};

// A plan changed by hand: a new entry of the book (`plan`, with a plan.json and predictions of its
// own) that remembers which plan it was made from. The plan before is never touched, so every step
// back to the original is kept, and so are steps that were undone and then left aside.
struct PlanEdit {
  Id id = 0;
  Id plan = 0;          // the plan as changed
  Id from = 0;          // the plan that was changed: the original, or an earlier change
  std::string changes;  // JSON, as --edit reads it; may be empty
  std::string what;     // in words: "region 3: hold"
  std::string made_at;  // ISO date and time; may be empty
};

// Wall clock: milliseconds since 1970-01-01 UTC.
using WallMs = std::int64_t;

struct Pause {
  WallMs from = 0;
  std::optional<WallMs> to;  // none: still paused
};

// Of the bath, from then on.
struct TemperatureReading {
  WallMs at = 0;
  std::optional<double> celsius;  // none: not known any more
};

// One dip under the clock. The clock is in the book, not in a window: it goes on when the page is
// closed or the machine is started again.
struct BathClock {
  Id id = 0, state = 0;
  Id plan = 0;  // 0: not from a plan
  int stage = 1;
  double planned_minutes = 0;                // of this dip; 0: not said
  std::optional<double> temperature_c;       // when the plate went in
  std::vector<TemperatureReading> readings;  // since then, in order
  Id batch = 0;                              // 0: the plan's, or not said
  WallMs started = 0;
  std::vector<Pause> pauses;  // in order; at most the last is open
  std::optional<WallMs> ended;
  Id bite = 0;  // the bite that was recorded when the plate was pulled; 0 and `ended`: called off
  std::string note;

  bool running() const { return !ended; }
  bool paused() const { return !ended && !pauses.empty() && !pauses.back().to; }
  // In the bath until `now` (or until it ended), without the pauses. Never negative.
  double minutes_in_bath(WallMs now) const;
  // The same cut where the temperature was read: (minutes, temperature), in order.
  std::vector<std::pair<double, std::optional<double>>> minutes_by_temperature(WallMs now) const;
  std::optional<double> latest_temperature() const {
    return readings.empty() ? temperature_c : readings.back().celsius;
  }
  // Once ended: below 0 pulled early, above 0 late. Empty while running or when nothing was
  // planned.
  std::optional<double> pulled_late_minutes() const;
};

struct PlateLine {
  Plate plate;
  int states = 0;
  int last_state = 0;
  std::string last_date;
};

// A plate's whole story. Texts of plans and pictures are left out unless asked for.
struct Story {
  Plate plate;
  std::vector<State> states;  // by number
  std::vector<PlanRecord> plans;
  std::vector<Bite> bites;
  std::vector<Lowering> lowerings;
  std::vector<Prediction> predictions;
};

// One use of a batch: a plan that was made with it, what was bitten (without what was struck out),
// what was reached.
struct BatchUse {
  PlanRecord plan;  // without its picture
  std::string plate_title;
  int state_number = 0;
  std::string date;  // of the state
  std::vector<Prediction> predictions;
  std::vector<Bite> bites;  // with those that were struck out
};

}  // namespace rebite::book

// The main job: from a state proof and a reworked drawing to a plan and its sheets.
#pragma once

#include <cstdint>
#include <functional>
#include <optional>

#include "align/align_pair.h"
#include "jobs/inputs.h"
#include "plan/lower.h"
#include "plan/plan_bites.h"
#include "plan/stages.h"
#include "sheets/sheets.h"

namespace rebite::jobs {

inline constexpr int most_stages = plan::most_stages;  // that a request may ask for

struct PlanRequest {
  std::filesystem::path proof, drawing;
  std::filesystem::path batch;  // empty: planned without a wedge
  SizeMm plate;
  ScanChoice read;
  std::vector<std::filesystem::path> impressions;  // further impressions of the proof's state
  std::filesystem::path leave;                     // mask picture; dark = leave alone
  std::filesystem::path edit;                      // edit file, see plan_inputs.h
  std::filesystem::path pins;
  double brush_mm = 4;
  bool mirrored = false;  // the drawing may be the print turned over
  plan::PlanOptions options;
  // The days since the wedge in `options` are the user's. Else they are counted from the batch's day
  // to made_on, where it has one and the record book knows no speed of the bath (which holds them).
  bool days_stated = false;
  std::filesystem::path out;  // folder
  sheets::Units units = sheets::Units::metric;
  bool fahrenheit = false;
  sheets::BenchMapOptions bench;
  std::string title;    // empty: the proof file's name
  std::string made_on;  // ISO date and time; empty: left out
  std::string record;   // the plate's name in the record book; empty: nothing is recorded. Needs
                        // made_on
  std::filesystem::path book;  // the book's file, with `record`
};

struct PlanReport {
  sheets::SheetContent content;
  std::string plan_json;
  std::vector<std::string> files;  // written into the folder
  // Where it stands in the record book; empty: it was not recorded.
  struct Recorded {
    std::int64_t plate = 0, state = 0, plan = 0;
    int state_number = 0;
    // Set where the plan is in the book, but its folder in the studio could not be put in place.
    std::optional<Problem> not_kept = std::nullopt;
  };
  std::optional<Recorded> recorded;
};

// What the sheets no longer hold, for a caller that keeps it to plan again without the scans.
struct PlanSources {
  const scan::DensityImage& proof;
  const scan::DensityImage& drawing;
  const align::Alignment& alignment;
  const plan::PlanOptions& options;  // with the learned speed and the edits by region
};
using KeepPlan =
    std::function<Result<void>(const PlanSources&, const sheets::SheetContent&, const Progress&)>;

// Reads, aligns, finds regions, plans, draws, and writes the folder whole or not at all. `keep` is
// called when the plan stands, before anything is written; its refusal ends the errand.
Result<PlanReport> plan_state(const PlanRequest&,
                              const Progress& = {},
                              const KeepPlan& keep = {});

// The plate by gap before and after a plan.
tone::GapShares gap_shares_of(const tone::RegionMap& map, const plan::BitePlan& plan);

}  // namespace rebite::jobs

// Regions + batch -> plan. No pixels, no files, no database.
#pragma once

#include <map>

#include "plan/bite_plan.h"

namespace rebite::plan {

// By hand, per region id.
struct Edit {
  std::optional<Action> action;
  std::optional<Density> target;
  std::optional<BiteTime> minutes;
};

struct PlanOptions {
  Ground ground = Ground::fresh;
  std::optional<Temperature> temperature;    // of the bath now; none: as the wedge's
  double risk = 0.2;                         // chance of overshooting by more than a visible step
  std::optional<int> stages;                 // none: at the knee; 0: as many as there are times
  BiteTime shortest = BiteTime::seconds(5);  // shortest dip that a hand can time
  double speed = 1;                          // the batch's learned speed: a factor on time (book)
  double speed_sd = 0;                       // of its natural logarithm
  // Share of OverlapRule::sd that is still in doubt: speeds learned from fresh grounds hold most of
  // it already (book/speed.h).
  double overlap_share = 1;
  double days_since_wedge = 0;
  int plates_since_wedge = 0;
  double plate_area_mm2 = 0;  // the whole plate, for the outlook
  std::map<int, Edit> edits;
};

// `batch` null: no minutes, no stages; the map, the gaps and the lower-first list stand.
// Refuses (data): regions with non-finite numbers, a batch that cannot be inverted.
Result<BitePlan> plan_bites(const std::vector<tone::Region>& unsorted,
                            const wedge::Batch* batch,
                            const PlanOptions&);

}  // namespace rebite::plan

#include "plan/outlook.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <cstddef>

#include "plan/lower.h"

namespace rebite::plan {

void predict(std::vector<PlannedRegion>& regions,
             const std::vector<Stage>& stages,
             const BiteModel* model,
             Ground ground) {
  for (PlannedRegion& p : regions) {
    const tone::Region& r = p.region;
    const double print_share = reading_of(r).print_share;
    p.predicted = r.now;
    if (p.stage > 0) {
      assert(model && static_cast<std::size_t>(p.stage) <= stages.size());
      p.predicted =
          model->reached(r.now, stages[static_cast<std::size_t>(p.stage - 1)].total, print_share);
    } else if (lowers(p.action) || p.action == Action::soft) {
      const double change = (p.aim() - r.now.value).value();
      p.predicted = {p.aim(), std::hypot(r.target.sd, 0.25 * change)};
    }
    p.after_stage.clear();
    for (const Stage& s : stages) {
      if (s.number < p.stage) {
        p.after_stage.push_back(model->reached(r.now, s.total, print_share));
      } else {
        p.after_stage.push_back(made_after_the_bath(p, ground) ? r.now : p.predicted);
      }
    }
  }
}

Outlook outlook_of(const std::vector<PlannedRegion>& regions, double plate_area_mm2) {
  double area = 0, before = 0, after = 0;
  for (const PlannedRegion& p : regions) {
    const tone::Region& r = p.region;
    area += r.area_mm2;
    before += r.area_mm2 * std::fabs((r.target.value - r.now.value).value());
    after += r.area_mm2 * std::fabs((r.target.value - p.predicted.value).value());
  }
  const double over = plate_area_mm2 > 0 ? plate_area_mm2 : area;
  if (over <= 0) return {};
  return {before / over, after / over};
}

}  // namespace rebite::plan

// Changes that a person makes to a finished plan: an ordered list, so that each can be undone.
#pragma once

#include <string>
#include <string_view>
#include <vector>

#include "jobs/kept_plan.h"

namespace rebite::jobs {

struct HandEdit {
  enum class What { set, join, cut, leave };
  What what = What::set;
  int region = 0;             // set, cut; join: the first of the two
  int other = 0;              // join
  plan::Edit change;          // set: whatever of action, target, minutes is given
  std::vector<PlateMm> line;  // cut, leave: print view
  double radius_mm = 2;       // leave
};

// [{"do":"set","region":3,"action":"hold","density":0.8,"minutes":2.5}, {"do":"join","regions":
// [3,4]}, {"do":"cut","region":3,"line_mm":[[x,y],..]}, {"do":"leave","line_mm":[..],
// "radius_mm":2}]
// Refuses (data) unknown keys, numbers out of range, more than 500 edits or 5,000 points in a line.
Result<std::vector<HandEdit>> hand_edits_from_json(std::string_view text);
std::string hand_edits_json(const std::vector<HandEdit>& edits);
// In a few words: "3: hold", "3 and 4 joined".
std::string hand_edit_text(const HandEdit& edit);

// The plan as it is after the edits: regions changed, then planned again. Same kept plan, same
// edits, same answer. Refuses (data) an edit that cannot be done, naming which.
Result<sheets::SheetContent> with_edits(const KeptPlan& kept, const std::vector<HandEdit>& edits);
// plan.json with what was changed by hand: "revision" and "edits" beside the fixed keys.
std::string edited_plan_json(const sheets::SheetContent& content,
                             int revision,
                             const std::vector<HandEdit>& edits);

}  // namespace rebite::jobs

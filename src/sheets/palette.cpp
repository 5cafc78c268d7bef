#include "sheets/palette.h"

#include <algorithm>
#include <cmath>

#include "plan/lower.h"

namespace rebite::sheets {

Style stage_style(int stage, int stages) {
  constexpr Hatch hatches[] = {
      Hatch::rising, Hatch::falling, Hatch::level, Hatch::upright, Hatch::crossed, Hatch::grid};
  constexpr double spacings[] = {1.5, 1.35, 1.2, 1.1, 1.3, 1.2};
  const int k = std::clamp(stage, 1, std::max(1, stages)) - 1;
  // One stage alone takes the third fill; from two on the first and the last are always used.
  const int fill =
      stages <= 1 ? 2 : static_cast<int>(std::lround(5.0 * k / std::max(1, stages - 1)));
  const int hatch = stages <= 6 ? fill : k % 6;
  return {kStageFills[fill], true, hatches[hatch], spacings[hatch] * (k >= 6 ? 1.6 : 1)};
}

Style action_style(plan::Action action) {
  switch (action) {
    case plan::Action::bite:
      return {kStageFills[2], true, Hatch::level, 1.2};
    case plan::Action::burnish:
      return {{0x7B, 0xDD, 0xEE}, true, Hatch::dots, 1};
    case plan::Action::scrape:
      return {{0x2C, 0xA0, 0xBA}, true, Hatch::rings, 1.4};
    case plan::Action::soft:
      return {{0xFD, 0xF0, 0xE1}, true, Hatch::dashes, 1.2};
    case plan::Action::beyond:
      return {{0x21, 0x24, 0x3B}, true, Hatch::heavy, 1.6};
    case plan::Action::line:
      return {{255, 255, 255}, false, Hatch::bar, 1};
    case plan::Action::hold:
      break;
  }
  return {{255, 255, 255}, false, Hatch::none, 1};
}

bool left_this_time(const plan::PlannedRegion& r, int stages) {
  return r.action == plan::Action::bite && r.stage == 0 && stages > 0;
}

bool too_short_to_bite(const plan::PlannedRegion& r) {
  const bool bites = r.action == plan::Action::bite || r.action == plan::Action::beyond;
  return bites && r.stage == 0 && r.minutes && r.minutes->advised > BiteTime::minutes(0);
}

Style style_of(const plan::PlannedRegion& r, int stages) {
  if (left_this_time(r, stages)) return action_style(plan::Action::hold);
  if (plan::lowered_by_eye(r))
    return {action_style(plan::Action::burnish).fill, true, Hatch::dashes, 1.2};
  if (r.action == plan::Action::bite && r.stage > 0) return stage_style(r.stage, stages);
  return action_style(r.action);
}

}  // namespace rebite::sheets

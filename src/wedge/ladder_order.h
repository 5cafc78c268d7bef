// Is longer in the bath also darker? The check before any curve is fitted.
#pragma once

#include <vector>

#include "wedge/tone_curve.h"

namespace rebite::wedge {

struct LadderOrder {
  // Steps up to and with the peak; the rest is the over-bitten tail, left out of the curve.
  std::size_t kept = 0;
  // Isotonic means of the kept steps.
  std::vector<double> rising;
  Notes notes;  // pairs out of order within their noise; the tail
};

// `steps` in order of time, every sd > 0.
// Over-bite: the ladder's end falls past its peak by more than its noise (and by half a visible
// step): at most half of the steps, at least three kept. Elsewhere a step lighter than an earlier
// one by more than 3.5 standard deviations and half a visible step is refused (data), named.
Result<LadderOrder> check_order(const std::vector<WedgeStep>& steps);

// "4:00 (D 0.62)"
std::string step_text(const WedgeStep& step);

}  // namespace rebite::wedge

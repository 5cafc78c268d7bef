// The two plots of the report as SVG, and what a component needs to read values off them.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>

#include "sheets/sheet_content.h"

namespace rebite::sheets {

// Density against minutes: the batch's curve with its 90 % band, the wedge's steps, the plan's
// totals. Time runs on a square-root axis, so that the first minutes have room. Empty without
// batch.
std::string curve_svg(const SheetContent& c);
// {"x0","x1","y0","y1" (viewBox units of the axes' ends), "minutes_max","density_max",
//  "minutes":[..],"density":[..],"low":[..],"high":[..],"useful_until_minutes"}; null without
//  batch.
nlohmann::ordered_json curve_data(const SheetContent& c);

// The share of the plate by gap (target - tone), before and after the plan. Bins of 0.05 from
// -0.6 to +1.2; what lies beyond counts in the last bin. Shares sum to 1 over the seen plate.
struct GapShares {
  double from = -0.6, step = 0.05;
  std::vector<double> before, after;
};
GapShares gap_shares(const SheetContent& c);
std::string histogram_svg(const GapShares& shares);
// {"from","step","before":[..],"after":[..],"x0","x1"}
nlohmann::ordered_json histogram_data(const GapShares& shares);

}  // namespace rebite::sheets

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

// The share of the plate by gap (target - tone), before and after the plan. Empty without shares.
std::string histogram_svg(const tone::GapShares& shares);
// {"from","step","before":[..],"after":[..],"x0","x1"}; null without shares.
nlohmann::ordered_json histogram_data(const tone::GapShares& shares);

}  // namespace rebite::sheets

// Numbers as the sheets and the report say them: one voice for paper and screen.
// Metric or inches, Celsius or Fahrenheit, m:ss for times, ISO dates. Never depends on the locale.
// A non-finite number is shown as a dash.
#pragma once

#include <string>
#include <vector>

#include "sheets/sheet_content.h"

namespace rebite::sheets {

// "12.5 mm" or "0.49 in" (1 in = 25.4 mm exactly). Whole millimetres carry no decimal.
std::string length_text(double mm, Units units);
// "150 × 110 mm" or "5.91 × 4.33 in".
std::string size_text(SizeMm size, Units units);
// "12.3 cm²", below 1 cm² two decimals; or "1.91 in²".
std::string area_text(double mm2, Units units);
// "20 °C" or "68 °F", one decimal where it is not whole.
std::string temperature_text(double celsius, bool fahrenheit);
// "D 0.72" and "+0.31 D", "−0.10 D" (a true minus sign).
std::string density_text(Density d);
std::string density_text(const DensityEstimate& d);  // "D 0.72 ± 0.02" (one standard error)
std::string gap_text(ToneGap gap);
std::string gap_text(ToneGap gap, double sd);  // "+0.31 ± 0.04 D"
// "1:58 (1:40 to 2:21)": advised, then the 90 % interval.
std::string minutes_text(const plan::Minutes& minutes);
// "dip 1:30 · total 3:00".
std::string dip_text(const plan::Stage& stage);
// "STAGE 2 of 5".
std::string stage_heading(const plan::Stage& stage, std::size_t stages);
// The date of an ISO date and time: "2026-11-25"; empty stays empty.
std::string date_of(const std::string& iso_date_time);
// What to do, in two or three words: "bite", "burnish", "scrape, then burnish", ...
std::string action_text(plan::Action action);
// The JSON word of an action (interface.md), as a key for styles.
std::string action_key(plan::Action action);
// "fresh ground" / "ground kept".
std::string ground_text(plan::Ground ground);
// "1 region", "7 regions".
std::string count_text(std::size_t n, const std::string& one, const std::string& many);
// "3, 5-9, 12": sorted ids, runs of three and more joined. At most `max_parts` parts, then
// "and 12 more" (0: no limit).
std::string ids_text(std::vector<int> ids, std::size_t max_parts = 0);

// Where a lowered region must come down to: "D 0.36", or "nearly bare metal (D 0.10)" where that is
// less than a visible step above what the batch prints from unbitten metal.
std::string lowered_text(const plan::PlannedRegion& region, const SheetContent& content);
// Regions to bring down: the plan's own list, then passages and lines that must come lighter.
std::vector<const plan::PlannedRegion*> to_lower(const SheetContent& content);
// How: "scrape, then burnish", "burnish by degrees", ...
std::string lowering_text(const plan::PlannedRegion& region);
// When: "before the new ground is laid", or with a kept ground, which burnishing would break,
// "after this bite".
std::string when_to_lower(plan::Ground ground);
// Regions left to free-hand work beside the stages (passages and lines that must come darker),
// passages first.
std::vector<const plan::PlannedRegion*> by_hand(const SheetContent& content);
double area_of(const std::vector<const plan::PlannedRegion*>& regions);  // mm2
// True where some of the plate carries no region: it is held.
bool has_hold(const SheetContent& content);
// Every note of plan, map, alignment and wedge, each said once.
Notes all_notes(const SheetContent& content);

// The two views in words; every picture and page carries one of them.
inline constexpr const char* kPrintView = "print view";
inline constexpr const char* kPlateView = "plate view";

}  // namespace rebite::sheets

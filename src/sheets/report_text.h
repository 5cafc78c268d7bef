// Text of the report that the sheets do not need (numbers in common: wording.h).
// "±" is one standard error, a range of minutes is the 90 % interval, as on the sheets.
#pragma once

#include <string>
#include <vector>

#include "sheets/sheet_content.h"
#include "sheets/wording.h"
#include "units/html_text.h"

namespace rebite::sheets {

// Bare numbers for columns whose head names the unit: "0.72", and "+0.42" / "−0.12" / "0.00".
// Not finite: "not seen".
std::string tone_number(double density);
std::string gap_number(double gap);
// "0.72 <span class="pm">± 0.03</span>"
std::string plus_minus(double sd);  // one standard error
std::string tone_html(const DensityEstimate& e);
std::string gap_html(ToneGap gap, double sd);
// "2:40–4:10"
std::string range_text(BiteTime low, BiteTime high);
// A share as "12 %"; "< 1 %" for what is small but not nothing.
std::string percent_text(double share);
// Small lengths: "0.07 mm", "0.003 in".
std::string fine_length_text(double mm, Units units);

// What the hand does, as a heading: "Bite", "Scrape, then burnish" ...
std::string action_words(const plan::PlannedRegion& region);
// Free-hand work: "from 0.12 to 0.28 (rough guide: the wedge took 0:35)".
std::string aim_words(const plan::PlannedRegion& r);
// What to do as one or two sentences for one region, with its numbers.
std::string advice(const plan::PlannedRegion& r, const plan::BitePlan& plan);

// "1", "1 and 4", "1, 4 and 7".
std::string list_text(const std::vector<int>& ids);

}  // namespace rebite::sheets

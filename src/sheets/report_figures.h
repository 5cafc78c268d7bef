// The drawn parts of the report that need no script: shapes of the regions, hatches, the map and
// one picture per dip. SVG in plate millimetres; print view unless it says plate view.
#pragma once

#include <string>

#include "sheets/palette.h"
#include "sheets/sheet_content.h"

namespace rebite::sheets {

// The look of a region, as a key into the hatches: "stage-1".., "bite" (no wedge), "burnish", ...
std::string look_of(const plan::PlannedRegion& r);
// The looks that this plan uses, in the order of a legend.
struct Look {
  std::string key, words;
  Style style;  // palette.h: the same as on map and bench map
};
std::vector<Look> looks_used(const SheetContent& c);

// A hidden <svg> with <pattern id="hatch-KEY"> for every look and <path id="shape-ID"> for every
// region. Figures and components refer to these, so that each outline is in the file once.
std::string defs_svg(const SheetContent& c);

// The regions alone (to be laid over a picture of the same size), numbered.
std::string map_figure(const SheetContent& c);
// What the plate looks like to the hand at one dip, in plate view: solid = stop out now, light =
// stopped out before, white = open in the bath.
std::string stage_figure(const SheetContent& c, const plan::Stage& stage);
// A small square of one look, for chips and legends.
std::string swatch(const std::string& key);

}  // namespace rebite::sheets

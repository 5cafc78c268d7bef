// Colours and hatches of the map: number first, hatch second, colour third (each alone tells it).
//
// The fills are our own: their lightness falls by about 11 L* from stage to stage (straw to plum:
// darker is longer), work by hand lies between them in another hue, so that all ten keep apart in
// grey print and for each kind of colour blindness. The test palette_test.cpp computes it.
#pragma once

#include <cstdint>

#include "plan/bite_plan.h"

namespace rebite::sheets {

struct Rgb {
  std::uint8_t r = 0, g = 0, b = 0;
};

// Lines are bites; dots and rings are work by hand; dashes are left to free hand.
enum class Hatch {
  none,
  rising,   // 45 degrees /
  falling,  // 135 degrees
  level,    // 0 degrees
  upright,  // 90 degrees
  crossed,  // both slants
  grid,     // level and upright
  dots,     // burnish
  rings,    // scrape
  dashes,   // soft
  heavy,    // beyond: thick slanting bars
  bar,      // line work: outlined only, one stroke in the legend
};

struct Style {
  Rgb fill;
  bool filled = true;  // hold and line work are not filled
  Hatch hatch = Hatch::none;
  double spacing = 1;  // of the hatch, times the usual
};

// How much of the artwork a fill covers.
inline constexpr double kFillOpacity = 0.85;
// The six fills of the stages, lightest first.
inline constexpr Rgb kStageFills[] = {{0xEF, 0xDF, 0x8E},
                                      {0xEC, 0xB7, 0x4D},
                                      {0xE8, 0x8B, 0x3D},
                                      {0xDB, 0x5E, 0x42},
                                      {0xBA, 0x35, 0x5E},
                                      {0x70, 0x32, 0x75}};

// Stage 1..stages. Up to six stages each have a fill and hatch of their own, spread over the six
// fills; with more, neighbours in time share a fill and take turns in hatch: the number decides.
Style stage_style(int stage, int stages);
// A region to bite that the stages of this plan leave out: no stage is near enough to its time.
bool left_this_time(const plan::PlannedRegion& region, int stages);
// A bite that no stage gives because it is shorter than the shortest dip.
bool too_short_to_bite(const plan::PlannedRegion& region);
// By hand, soft, beyond, line and hold. For a bite without a stage (no wedge): one bite style.
Style action_style(plan::Action action);
// A region's style on the map. One left this time looks like what is held; a passage or line to
// come lighter has the colour of burnishing and the hatch of a passage.
Style style_of(const plan::PlannedRegion& region, int stages);

}  // namespace rebite::sheets

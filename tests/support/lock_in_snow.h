// The sample scenario, invented: a canal lock in snow at dusk, copper, 150 x 110 mm. The plate in
// its second state, and the drawing for the third: a second impression painted over with ink wash,
// white and brush. No place, print or person is meant.
#pragma once

#include "tests/support/plate_maker.h"

namespace rebite::maker {

// Areas with labels of their own (Scene::labels; areas[label - 1]).
enum class LockArea {
  ground = 1,    // snow left alone
  sky,           // drawn darker towards the top: a soft passage
  hills,         // a little darker
  wood,          // left alone
  cottage_wall,  // darker
  cottage_roof,  // left alone (snow)
  window,        // lit: white over a grey
  gate,          // darker
  beams,         // darker
  left_wall,     // left alone
  right_wall,    // bitten too far; drawn much lighter
  water,         // much darker
  ice,           // lit whiter
  near_bank,     // grey snow in front, drawn whiter
  far_bank,      // soft shade on snow, drawn deeper: a soft passage
  bollard,       // left alone
};
constexpr int lock_areas = 16;

Scene lock_in_snow();

// The bath that bit it (copper in ferric chloride, invented), and the wedge of that batch.
TrueCurve lock_curve();
WedgeSpec lock_wedge();

}  // namespace rebite::maker

// The plain list of regions: all that the plan may see of a picture.
#pragma once

#include <optional>
#include <string>
#include <vector>

#include "units/density.h"
#include "units/lengths.h"
#include "units/problem.h"

namespace rebite::tone {

// area: one stop-out edge can follow it. line: thin drawn line work. soft: a gradual passage.
// still: within the noise or below a visible step.
enum class RegionKind { area, line, soft, still };

// How far a soft passage runs: what is wanted at its light and at its dark end (5 % and 95 % of its
// places), and what its darkest tenth prints now.
struct ToneRun {
  Density light = Density::of(0), dark = Density::of(0), now_at_dark = Density::of(0);
};

struct Region {
  int id = 0;  // >= 1; the value in the label picture (still regions are label 0)
  RegionKind kind = RegionKind::area;
  double area_mm2 = 0;
  double width_mm = 0;           // diameter of the largest circle that fits in
  double mean_distance_mm = 0;   // of two of its places, geometric; 0: not known (place.h)
  PlateMm centre;                // a point inside the region, print view
  DensityEstimate now;           // on the proof, inking difference taken out, with standard error
  DensityEstimate target;        // on the drawing
  ToneGap gap = ToneGap::of(0);  // target - now; positive: darker
  double gap_sd = 0;             // grain, wiping, inking fit, tone calibration, alignment together
  double offset_sd = 0;          // the part of it, and of target's, that is rare and large (inking.h)
  std::optional<ToneRun> run;    // soft passages; none: not known
  double unseen_share = 0;       // of the area where the alignment was not seen, 0..1
  std::vector<int> neighbours;   // ids that share a border
  Notes notes;
};

// Inking is not biting: the smooth difference of the two impressions over unworked areas.
struct Inking {
  double offset_density = 0;  // drawing minus proof at the proof's mean tone, log10 units
  double gain = 1;            // contrast of the drawing's impression against the proof's
  double noise_density = 0;   // spread left over after it is taken out, 1 sd at region scale
  double fitted_share = 0;    // of the plate that was taken as not reworked
};

}  // namespace rebite::tone

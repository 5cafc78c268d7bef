// Found regions against the plate maker's truth.
#pragma once

#include <vector>

#include "tests/support/plate_maker.h"
#include "tone/region_map.h"

namespace rebite::maker {

// One painted area of the truth: a connected piece of one label with a gap.
struct AreaVerdict {
  int label = 0;
  double area_mm2 = 0, across_mm = 0;
  double gap = 0;  // true, wanted minus printed
  bool soft = false;
  double right_share = 0;  // of its pixels (1 mm inside, strokes left out) with the right sign
  bool right() const { return right_share >= 0.5; }
};

struct Verdict {
  std::vector<AreaVerdict> areas;  // gap above 0.08 D, area above 30 mm2
  double false_share = 0;          // of the plate: untouched by truth, yet in a region
  double untouched_share = 0;      // of the plate
  std::vector<double> border_mm;   // of found border pixels: distance to the nearest true one
  std::vector<double> missed_mm;   // of true border pixels: distance to the nearest found one
  struct Gap {
    double found = 0, truth = 0, sd = 0, area = 0;
    tone::RegionKind kind = tone::RegionKind::area;
    bool pure = false;  // 90 % of its core lies in one area of the truth
  };
  std::vector<Gap> gaps;  // by region, truth averaged over the region's core
  int regions = 0, lines = 0, softs = 0;
};

Verdict judge(const Scene& scene, const tone::RegionMap& map);

}  // namespace rebite::maker

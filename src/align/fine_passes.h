// Measuring the sheet's displacement patch by patch, coarse to fine.
#pragma once

#include <vector>

#include "align/robust_fit.h"
#include "align/scan_levels.h"
#include "align/spline_warp.h"
#include "units/progress.h"

namespace rebite::align {

struct PassRecord {
  double px_per_mm = 0, patch_mm = 0;
  int tried = 0, matched = 0, agreeing = 0;  // agreeing: weight > 0.5 in the fit
  double share() const { return tried ? static_cast<double>(matched) / tried : 0; }
};

struct FineResult {
  SmoothMap map;
  RobustFit fit;
  std::vector<Measured> data;  // of the final fit, with weights
  double floor_mm = 0.001;     // of the last fit's rule
  std::vector<PassRecord> passes;
  bool grain = false;  // matched at grain level
};

// Starts from a map good to about 2.5 mm. `system` covers the proof's plate.
// `pins` (about start.start) count in every fit.
FineResult measure_finely(ScanLevels& proof,
                          ScanLevels& drawing,
                          const SmoothMap& start,
                          const std::vector<Measured>& pins,
                          SplineFit& system,
                          int threads,
                          const Progress& progress = {});

}  // namespace rebite::align

// How much of the plate has which gap, before the plan and after it.
#pragma once

#include <map>
#include <vector>

#include "tone/region_map.h"

namespace rebite::tone {

// Shares of the seen plate by gap (target - tone) in bins of `step` from `from` on; what lies
// beyond counts in the first or last bin. Each list sums to 1 (all 0 when nothing was seen).
struct GapShares {
  double from = -0.6, step = 0.05;
  std::vector<double> before, after;
};

// `change`: by region id, the density that the plan adds (negative: takes away); +infinity where
// every place is brought to its own target (soft passages), but no darker than `darkest` has it for
// that region. Places of no region stay.
GapShares gap_shares(const RegionMap& map,
                     const std::map<int, double>& change,
                     const std::map<int, double>& darkest = {});

}  // namespace rebite::tone

// Isotonic regression: the rising (never falling) sequence nearest to the data.
#pragma once

#include <vector>

namespace rebite::wedge {

// Minimises sum w (y - fit)^2 with fit never falling: pool adjacent violators (Ayer, Brunk, Ewing,
// Reid & Silverman, Ann. Math. Stat. 26 (1955) 641-647; Barlow et al. 1972). `weights` empty: all
// 1; else > 0 and one per value.
std::vector<double> isotonic(const std::vector<double>& y, const std::vector<double>& weights = {});

// Runs of equal fit, as [first, last] index pairs; runs of one value are left out.
std::vector<std::pair<std::size_t, std::size_t>> pooled_runs(const std::vector<double>& y,
                                                             const std::vector<double>& fit);

}  // namespace rebite::wedge

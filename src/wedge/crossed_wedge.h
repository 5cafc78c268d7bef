// The crossed wedge: how a fresh ground adds to an old tone on this metal and in this batch.
//
// A wedge bitten in strips, cleaned, laid with a second ground and bitten in strips across the
// first gives a grid of densities. Over it log(land) = log(land of the first) + q log(land of the
// second), with land counted from the tone of bare wiped metal (tone_curve.h, overlaid).
#pragma once

#include <vector>

#include "wedge/tone_curve.h"

namespace rebite::wedge {

struct CrossedGrid {
  std::vector<BiteTime> first, second;  // totals through either ground, each rising; 0 = not bitten
  // density[i][j] above paper, at first[i] and second[j].
  std::vector<std::vector<DensityEstimate>> density;
};

// q by weighted least squares over the cells bitten through the second ground. The second bite's
// tone on bare metal is the batch curve's, because that is what a plan puts into the rule; the tone
// before it is the grid's own strip of second time 0 where it has one, else the curve's.
// Cells with less than 3 % land left are left out: their logarithm is all noise. sd: the larger of
// the propagated one and the delete-one-row-or-column jackknife (Tukey 1958;
// Efron & Tibshirani, An Introduction to the Bootstrap, chapter 11), since a strip's error is
// shared along it. Propagated are: the patches' sd, which neighbours share as they share the wiping;
// the curve's sd, one error for all second times; the film of unbitten metal (the curve's sd at 0);
// the full ink, 0.08 D. Refuses (data): a grid whose shape differs from its times (both told), fewer
// than 3 usable cells, a q outside 0.05..5 (the grid does not show a second bite over a first).
Result<OverlapRule> fit_overlap(const CrossedGrid&, const ToneCurve& curve, Density solid);

}  // namespace rebite::wedge

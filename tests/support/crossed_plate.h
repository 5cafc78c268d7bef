// A crossed wedge: a plate bitten in strips through one ground, cleaned, and bitten in strips
// across them through a second.
#pragma once

#include "tests/support/plate_maker.h"

namespace rebite::maker {

struct CrossedSpec {
  // Total minutes of the strips: the first ground's lie side by side along x, the second's along y.
  std::vector<double> first{0, 0.5, 1, 2, 4}, second{0, 0.5, 1, 2};
  SizeMm patch{9, 9};
  double border_mm = 6;  // unbitten metal round the grid
  double overlap_q = 1;
  TrueCurve curve;
  double grain_mm = 0.11;
  std::uint64_t first_seed = 7, second_seed = 99;
};
Plate crossed_plate(const CrossedSpec&);
MadeScan print_crossed(const CrossedSpec&, const Impression&, const Scanner&);

}  // namespace rebite::maker

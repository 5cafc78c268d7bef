// How evenly the scanner lit a grey scale, seen on the card beside its patches.
#pragma once

#include <vector>

#include "scan/find_greys.h"
#include "scan/grey_fit.h"

namespace rebite::scan {

struct CardLight {
  std::vector<double> log_light;  // per patch, log10 of the light there over its mean along the row
  double range = 0;               // largest minus smallest, log10
  bool seen = false;              // false: no even card beside the row; log_light is 0
};

// `codes` of patches and card in the order of the readings along the row, `fit` a first curve. The
// card is one tone, so what differs along it is light: a parabola fitted to its log10 reflectance
// on each long side (the mean of both where both are even, sd below 0.006).
CardLight light_along_card(const std::vector<GreyReading>& readings, const GreyFit& fit);

}  // namespace rebite::scan

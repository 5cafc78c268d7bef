// Codes and densities of a grey scale -> a smooth monotone scanner curve with its own spread.
#pragma once

#include <vector>

namespace rebite::scan {

struct CodeDensity {
  double code = 0;     // 0..1
  double density = 0;  // absolute, as listed
};

struct GreyFit {
  std::vector<double> code;         // increasing, from the darkest to the lightest patch
  std::vector<double> reflectance;  // increasing
  std::vector<double> residual;     // per patch as given: density of the curve minus the listed one
  std::vector<double> left_out;     // the same, of the curve fitted without that patch
  double flare = 0;                 // as reflectance
  double residual_sd = 0;           // log10 units, sd of left_out of the inner patches
};

// Two parts. (1) What all scanners have in common: the light L that sRGB or a pure power takes the
// code to, and log10 L = c + g * log10(R + flare); flare 0..0.05, g, c by least squares (which of
// the two decodings: the one that fits better). (2) What this scanner has of its own: the remaining
// differences smoothed over log10 L by penalised least squares (second differences; P. H. C.
// Eilers, Anal. Chem. 75 (2003) 3631), the stiffness by leaving out one patch at a time. Listed
// densities are rounded to 0.01 and printed scales vary as much, so the curve does not go through
// every patch. The sum is tabled at the patches and 8 places between each two. `patches` sorted by
// rising code, codes strictly rising, densities strictly falling, 5 or more.
GreyFit fit_greys(const std::vector<CodeDensity>& patches);

}  // namespace rebite::scan

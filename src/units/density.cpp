#include "units/density.h"

#include <algorithm>

namespace rebite {

double lightness(double relative_luminance) {
  constexpr double kappa = 24389.0 / 27.0;
  constexpr double epsilon = 216.0 / 24389.0;
  const double y = relative_luminance;
  return y > epsilon ? 116.0 * std::cbrt(y) - 16.0 : kappa * y;
}

double lightness(Density d) { return lightness(d.reflectance()); }

ToneGap visible_step(Density at) {
  // 0.03 D up to D 0.6, 0.06 D from D 1.2 on, in between by straight line.
  const double t = std::clamp((at.value() - 0.6) / 0.6, 0.0, 1.0);
  return ToneGap::of(0.03 + 0.03 * t);
}

double coverage(Density d, Density solid) {
  return (1.0 - d.reflectance()) / (1.0 - solid.reflectance());
}

Density density_of_coverage(double a, Density solid) {
  return Density::of_reflectance(1.0 - a * (1.0 - solid.reflectance()));
}

}  // namespace rebite

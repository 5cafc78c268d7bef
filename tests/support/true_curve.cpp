#include <algorithm>
#include <cmath>
#include <limits>

#include "tests/support/plate_maker.h"

namespace rebite::maker {

double TrueCurve::density(double minutes) const {
  const double t = std::max(0.0, minutes - latent);
  const double rise = t > 0 ? 1 - std::exp(-std::pow(t / tau, beta)) : 0;
  const double fall = overbite_rate * std::max(0.0, minutes - overbite_from);
  return std::max(0.0, d0 + (d1 - d0) * rise - fall);
}

double TrueCurve::coverage(double minutes) const {
  return (1 - std::pow(10, -density(minutes))) / (1 - std::pow(10, -solid));
}

double TrueCurve::pit_coverage_of(double d) const {
  const double black = std::pow(10, -solid), film = std::pow(10, -d0);
  return std::clamp((film - std::pow(10, -d)) / (film - black), 0.0, 1.0);
}

double TrueCurve::pit_coverage(double minutes) const { return pit_coverage_of(density(minutes)); }

double TrueCurve::density_of_pits(double pits) const {
  return -std::log10((1 - pits) * std::pow(10, -d0) + pits * std::pow(10, -solid));
}

double TrueCurve::peak_minutes() const {
  constexpr double longest = 120;
  if (overbite_rate <= 0) return longest;
  // The curve is concave once it has left its first moments; a fine scan is exact enough (0.01
  // min).
  double best = 0, peak = density(0);
  for (int i = 1; i <= 12000; ++i) {
    const double d = density(i * 0.01);
    if (d > peak) {
      peak = d;
      best = i * 0.01;
    }
  }
  return best;
}

double TrueCurve::minutes_for(double wanted) const {
  if (wanted <= density(0)) return 0;
  double low = 0, high = peak_minutes();
  if (wanted > density(high)) return std::numeric_limits<double>::infinity();
  for (int i = 0; i < 80; ++i) {
    const double middle = (low + high) / 2;
    (density(middle) < wanted ? low : high) = middle;
  }
  return (low + high) / 2;
}

double kept_minutes(const TrueCurve& curve, double printed, double wanted) {
  if (wanted <= printed) return 0;
  return curve.minutes_for(wanted) - curve.minutes_for(printed);
}

double fresh_minutes(const TrueCurve& curve, double printed, double wanted, double overlap_q) {
  if (wanted <= printed) return 0;
  const double land_now = 1 - curve.pit_coverage_of(printed);
  const double land_wanted = 1 - curve.pit_coverage_of(wanted);
  if (land_now <= 0) return std::numeric_limits<double>::infinity();
  const double land_new = std::pow(land_wanted / land_now, 1 / overlap_q);
  return curve.minutes_for(curve.density_of_pits(1 - land_new));
}

}  // namespace rebite::maker

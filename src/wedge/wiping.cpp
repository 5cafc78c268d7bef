#include "wedge/wiping.h"

#include <cassert>
#include <cmath>

namespace rebite::wedge {

using Eigen::Index;
using Eigen::MatrixXd;

MatrixXd wiping_correlation(std::size_t n, const StepPlaces& places) {
  assert(places.empty() || places.size() >= n);
  const auto distance = [&](std::size_t i, std::size_t j) {
    if (places.empty()) return usual_step_mm * static_cast<double>(i - j);
    return std::hypot(places[i][0] - places[j][0], places[i][1] - places[j][1]);
  };
  MatrixXd r = MatrixXd::Identity(static_cast<Index>(n), static_cast<Index>(n));
  for (std::size_t i = 0; i < n; ++i) {
    for (std::size_t j = 0; j < i; ++j) {
      const double away = distance(i, j) / assumed_wiping_half_mm;
      const double shared = (1 - own_wiping_share) / (1 + away * away);
      const auto a = static_cast<Index>(i), b = static_cast<Index>(j);
      r(a, b) = r(b, a) = shared;
    }
  }
  return r;
}

double independent_places(const MatrixXd& correlation) {
  const auto n = static_cast<double>(correlation.rows());
  return n * n / correlation.squaredNorm();
}

PrintSpread print_spread_of(double seen, std::size_t impressions, const StepPlaces& places) {
  if (impressions < 2) return {};
  const double dof = static_cast<double>(impressions - 1) *
                     independent_places(wiping_correlation(places.size(), places));
  const double square = (dof * seen * seen + assumed_spread_weight * std::pow(assumed_print_spread, 2)) /
                        (dof + assumed_spread_weight);
  return {std::sqrt(square), dof + assumed_spread_weight};
}

}  // namespace rebite::wedge

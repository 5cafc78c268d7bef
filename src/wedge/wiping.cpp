#include "wedge/wiping.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <numbers>

#include "wedge/tone_curve.h"

namespace rebite::wedge {

using Eigen::Index;
using Eigen::MatrixXd;

namespace {

constexpr double step_mm2 = usual_step_mm * usual_step_mm;

double shared_over(double distance_mm) {
  const double away = distance_mm / assumed_wiping_half_mm;
  return 1 / (1 + away * away);
}

// Mean of what two places of a disc of that radius (mm) share. Their distance s is spread as (4 s /
// (pi R^2)) acos(s / 2R) - (2 s^2 / (pi R^3)) sqrt(1 - (s / 2R)^2), 0 < s < 2R (H. Solomon,
// Geometric Probability, SIAM 1978, chapter 2: disc line picking).
double shared_within(double radius) {
  constexpr int slices = 200;
  constexpr double pi = std::numbers::pi;
  double sum = 0;
  for (int k = 0; k < slices; ++k) {
    const double u = (k + 0.5) / slices;  // s / 2R
    const double density = 16 / pi * u * (std::acos(u) - u * std::sqrt(1 - u * u));
    sum += density / slices * shared_over(2 * radius * u);
  }
  return sum;
}

// Variance of an area's mean, of a place's as 1: what its places share, and what each stretch of a
// step's size has of its own, which averages out over their number.
double mean_variance(double area_mm2, double mean_distance_mm) {
  const double radius = std::exp(0.25) * mean_distance_mm;  // of the disc with that mean distance
  return (1 - own_wiping_share) * shared_within(radius) +
         own_wiping_share * step_mm2 / std::max(area_mm2, step_mm2);
}

}  // namespace

double mean_distance_of_disc(double area_mm2) {
  return std::exp(-0.25) * std::sqrt(area_mm2 / std::numbers::pi);
}

double print_spread_share(double area_mm2, double mean_distance_mm) {
  assert(area_mm2 >= 0 && mean_distance_mm >= 0);
  static const double of_a_step = mean_variance(step_mm2, mean_distance_of_disc(step_mm2));
  const double variance = mean_variance(area_mm2, mean_distance_mm);
  return std::max(least_print_share, std::sqrt(variance / of_a_step));
}

MatrixXd wiping_correlation(std::size_t n, const StepPlaces& places) {
  assert(places.empty() || places.size() >= n);
  const auto distance = [&](std::size_t i, std::size_t j) {
    if (places.empty()) return usual_step_mm * static_cast<double>(i - j);
    return std::hypot(places[i][0] - places[j][0], places[i][1] - places[j][1]);
  };
  MatrixXd r = MatrixXd::Identity(static_cast<Index>(n), static_cast<Index>(n));
  for (std::size_t i = 0; i < n; ++i) {
    for (std::size_t j = 0; j < i; ++j) {
      const double shared = (1 - own_wiping_share) * shared_over(distance(i, j));
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
  const double square =
      (dof * seen * seen + assumed_spread_weight * std::pow(assumed_print_spread, 2)) /
      (dof + assumed_spread_weight);
  return {std::sqrt(square), dof + assumed_spread_weight};
}

}  // namespace rebite::wedge

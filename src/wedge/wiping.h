// How the places of one print share its wiping.
#pragma once

#include <Eigen/Core>
#include <array>
#include <vector>

namespace rebite::wedge {

// Over this distance half of a print's wiping is still shared. Common practice, no source: wiping
// changes over a few fingers' breadth and more.
inline constexpr double assumed_wiping_half_mm = 20;
// Steps whose place is not known: one beside the other, this far apart. Common practice, no source.
inline constexpr double usual_step_mm = 15;
// Share of the wiping's variance that is a place's own, however near another lies: dirt, lint, the
// edge of a rag. Common practice, no source; without it two near places could not differ at all.
inline constexpr double own_wiping_share = 0.1;

// Print-to-print spread of one density (1 sd) taken where only one impression was scanned. Common
// practice, no source: trade.md section 4 found no published figure.
inline constexpr double assumed_print_spread = 0.02;
// It is mostly between half and one and a half times that, which is what 8 observations tell.
inline constexpr double assumed_spread_dof = 8;
// Impressions that were made to measure it count for more: beside them the assumption weighs as 2
// observations only.
inline constexpr double assumed_spread_weight = 2;

// Where steps lie on a print, mm from any corner, in their order. Empty: not known.
using StepPlaces = std::vector<std::array<double, 2>>;

// Correlation, 0..1, of the wiping of the first n steps (n x n; n places or more, or none): wiping is a sum of smooth variations of
// all lengths, which gives 1 / (1 + (d / half)^2) over the distance d (the rational quadratic
// kernel: Rasmussen & Williams, Gaussian Processes for Machine Learning, 2006, section 4.2.1);
// own_wiping_share of the variance is taken off between different places.
Eigen::MatrixXd wiping_correlation(std::size_t n, const StepPlaces& places);

// How many observations that err on their own tell a variance as well as those do: n^2 over the sum
// of the squared correlations (F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110).
double independent_places(const Eigen::MatrixXd& correlation);

struct PrintSpread {
  double sd = assumed_print_spread;                 // D, of one print
  double degrees_of_freedom = assumed_spread_dof;   // on which it rests
};

// What is known of the print-to-print spread of a wedge of which `impressions` were measured: `seen`
// (D, root mean square over its steps; not used with one impression) and the assumption above,
// weighed by their degrees of freedom (inverse chi-square prior: Gelman et al., Bayesian Data
// Analysis, 3rd ed. 2013, section 2.6). Steps wiped in one stroke count as fewer.
PrintSpread print_spread_of(double seen, std::size_t impressions, const StepPlaces& places);

}  // namespace rebite::wedge

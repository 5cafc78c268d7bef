// Wedge steps straight from a known curve, without pictures: for the coverage of the bands.
#pragma once

#include <cmath>
#include <cstdint>
#include <vector>

#include "tests/support/chance.h"
#include "wedge/fit_curve.h"
#include "wedge/saturating_form.h"

namespace rebite::wedge {

// How the steps err.
enum class SimulatedNoise {
  known,       // every step on its own, sd as told
  estimated,   // sd told is 1 for all: only the scatter tells the spread
  smooth,      // wiping shared by neighbours, sd and share as told
};

struct SimulatedWedge {
  SaturatingForm truth;
  std::vector<WedgeStep> steps;
};

// An unbitten step and n - 1 steps evenly spaced in ratio from about 15 s to 20..40 min.
inline std::vector<double> simulated_ladder(int n, maker::Chance& chance) {
  std::vector<double> t{0};
  const double first = chance.uniform(0.2, 0.5);
  const double last = chance.uniform(16, 36);
  for (int k = 0; k + 1 < n; ++k) t.push_back(first * std::pow(last / first, k / (n - 2.0)));
  return t;
}

inline SimulatedWedge simulate_steps(std::uint64_t seed, int n, SimulatedNoise noise) {
  maker::Chance chance(seed);
  SimulatedWedge w;
  w.truth.d0 = chance.uniform(0.02, 0.08);
  w.truth.d1 = chance.uniform(0.95, 1.5);
  w.truth.tau = std::exp(chance.uniform(std::log(2.0), std::log(12.0)));
  w.truth.beta = chance.uniform(0.65, 1.25);
  const double sd = chance.uniform(0.008, 0.025);
  double wiping = chance.normal();
  for (const double t : simulated_ladder(n, chance)) {
    WedgeStep s;
    s.time = BiteTime::minutes(t);
    s.sd = noise == SimulatedNoise::estimated ? 0 : sd;
    double error = sd * chance.normal();
    if (noise == SimulatedNoise::smooth) {
      s.wiping_sd = 0.9 * sd;
      error = std::sqrt(0.19) * error + 0.9 * sd * wiping;
      wiping = 0.6 * wiping + 0.8 * chance.normal();
    }
    s.density = Density::of(w.truth.at(t) + error);
    w.steps.push_back(s);
  }
  return w;
}

}  // namespace rebite::wedge

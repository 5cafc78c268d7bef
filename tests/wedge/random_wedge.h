// Wedges as printmakers make them, at random: for counting how many are read.
#pragma once

#include <algorithm>
#include <cmath>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "tests/support/chance.h"
#include "tests/support/plate_maker.h"

namespace rebite::wedge {

struct RandomWedge {
  maker::WedgeSpec spec;
  maker::Impression sheet;
  maker::Scanner scanner;
  SizeMm plate;      // larger than the wedge: the wedge lies in its top left corner
  std::string kind;  // for the table
};

// 3 to 30 steps of 5 to 16 mm, one or two rows, touching or up to 4 mm apart, with a zero step or
// without, even or geometric times, pale or dark, with a latent start, either direction, any turn,
// 150 to 600 dpi, wiping of 0 to 0.03 D.
inline RandomWedge random_wedge(std::uint64_t seed) {
  maker::Chance chance(seed * 7919 + 17);
  const auto likely = [&](double share) { return chance.uniform() < share; };
  RandomWedge w;
  maker::WedgeSpec& s = w.spec;
  const int n = likely(0.5) ? 3 + chance.below(10) : 3 + chance.below(28);
  s.rows = n >= 6 && likely(0.25) ? 2 : 1;
  const int columns = (n + s.rows - 1) / s.rows;
  s.gap_mm = likely(0.35) ? chance.uniform(1, 4) : 0;
  s.step = {std::min(chance.uniform(5, 16), std::max(5.0, 230.0 / columns - s.gap_mm)),
            chance.uniform(8, 28)};
  s.border_mm = chance.uniform(1.5, 8);
  if (likely(0.3)) {  // even strides, as successive equal dips give them
    const double dip = chance.uniform(0.5, 3);
    for (int k = 0; k < n; ++k) s.minutes.push_back(k * dip);
  } else {
    const double first = chance.uniform(0.2, 1);
    const double last = chance.uniform(12, 36);
    s.minutes.push_back(0);
    for (int k = 0; k + 1 < n; ++k) {
      s.minutes.push_back(first * std::pow(last / first, k / (n - 2.0)));
    }
  }
  if (likely(0.25)) {  // no unbitten step
    s.minutes.erase(s.minutes.begin());
    s.minutes.push_back(s.minutes.back() * 1.4);
  }
  maker::TrueCurve& c = s.curve;
  c.d0 = chance.uniform(0.02, 0.08);
  c.d1 = likely(0.2) ? 0.9 : chance.uniform(0.95, 1.5);
  c.tau = std::exp(chance.uniform(std::log(2.0), std::log(12.0)));
  c.beta = chance.uniform(0.65, 1.25);
  c.solid = c.d1 + chance.uniform(0.03, 0.15);
  if (likely(0.15)) c.latent = chance.uniform(0.2, 1.2);
  s.ground_seed = seed;
  if (likely(0.5)) std::reverse(s.minutes.begin(), s.minutes.end());
  w.plate = maker::wedge_plate(s).size;
  if (likely(0.15)) w.plate = {w.plate.width + 60, w.plate.height + 50};
  w.sheet.seed = seed + 1000;
  w.sheet.wiping_density = chance.uniform(0, 0.03);
  constexpr double dpis[] = {150, 200, 300, 300, 400, 600};
  w.scanner.dpi = dpis[chance.below(6)];
  if (w.plate.width > 150) w.scanner.dpi = std::min(w.scanner.dpi, 300.0);
  w.scanner.seed = seed + 2000;
  w.scanner.channels = likely(0.3) ? 3 : 1;
  w.scanner.turn_deg =
      likely(0.7) ? 90 * chance.below(4) + chance.uniform(-3, 3) : chance.uniform(0, 360);
  return w;
}

inline maker::MadeScan print_random(const RandomWedge& w) {
  maker::Plate plate = maker::wedge_plate(w.spec);
  constexpr double px_per_mm = 10;
  cv::Mat1f larger(static_cast<int>(std::lround(w.plate.height * px_per_mm)),
                   static_cast<int>(std::lround(w.plate.width * px_per_mm)),
                   0.F);
  cv::Mat1f& minutes = plate.bites.front().minutes;
  minutes.copyTo(larger(cv::Rect({0, 0}, minutes.size())));
  minutes = larger;
  plate.size = w.plate;
  return maker::print_proof(plate, w.sheet, w.scanner);
}

// What the sheet shows in the middle of each step, in the order of the steps on the plate.
inline std::vector<double> shown_densities(const maker::WedgeSpec& spec,
                                           const maker::MadeScan& made) {
  std::vector<double> out;
  const double px = made.true_density_px_per_mm;
  const cv::Rect plate({0, 0}, made.true_density.size());
  for (const PlateMm& c : maker::wedge_step_centres(spec)) {
    const double half_x = 0.3 * spec.step.width, half_y = 0.3 * spec.step.height;
    const cv::Rect middle(static_cast<int>((c.x - half_x) * px),
                          static_cast<int>((c.y - half_y) * px),
                          std::max(1, static_cast<int>(2 * half_x * px)),
                          std::max(1, static_cast<int>(2 * half_y * px)));
    out.push_back(cv::mean(made.true_density(middle & plate))[0]);
  }
  return out;
}

}  // namespace rebite::wedge

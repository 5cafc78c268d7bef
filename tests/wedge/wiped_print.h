// Impressions of a wedge without pictures: for the coverage of the bands of many prints.
#pragma once

#include <vector>

#include "tests/support/chance.h"
#include "tests/support/plate_maker.h"
#include "tests/support/waves.h"
#include "wedge/read_wedge.h"

namespace rebite::wedge {

// The steps of one impression without a picture: the bath's tones, wiped smoothly over the sheet as
// the plate maker wipes it, and what grain leaves.
inline std::vector<FoundStep> wiped_steps(const maker::WedgeSpec& spec,
                                          const maker::Impression& sheet) {
  const maker::Waves wiping(maker::mix(sheet.seed, 0x77697065), 35, 150);
  maker::Chance chance(sheet.seed * 3 + 1);
  std::vector<FoundStep> steps;
  const auto centres = maker::wedge_step_centres(spec);
  for (std::size_t i = 0; i < centres.size(); ++i) {
    const auto [x, y] = centres[i];
    constexpr double grain = 0.002;
    FoundStep s;
    s.tone.density = Density::of(spec.curve.density(spec.minutes[i]) +
                                 sheet.wiping_density * wiping.unit_sd(x, y) +
                                 grain * chance.normal());
    s.tone.sd_of_mean = grain;
    s.tone.pixels = 1e4;
    s.darkest_spots = s.tone.density;
    s.centre_mm = {x, y};
    s.column = static_cast<int>(i);
    steps.push_back(s);
  }
  return steps;
}

}  // namespace rebite::wedge

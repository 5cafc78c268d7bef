// The parts of measure_wedge: see wedge.cpp.
#pragma once

#include <cmath>

#include "tests/support/chance.h"
#include "tests/support/plate_maker.h"

namespace rebite::wedge::measure_parts {

void bands(int seeds);
void wiped(int seeds, int first);
void printed(int seeds, int first);
void found(int seeds, int first, int only_rows);
void steps(int seeds, int first);
void light(int seeds, int first);
void overlap(int seeds, int first);
void crossed(int seeds, int only_impressions, int first);

// How often an interval held the truth, and how wide it was.
struct Count {
  int inside = 0, all = 0;
  double width = 0;
  void add(bool in, double w) {
    inside += in;
    ++all;
    width += w;
  }
  double share() const { return all ? 100.0 * inside / all : 0; }
  double mean_width() const { return all ? width / all : 0; }
};

inline maker::TrueCurve random_bath(maker::Chance& chance) {
  maker::TrueCurve c;
  c.d0 = chance.uniform(0.02, 0.08);
  c.d1 = chance.uniform(0.95, 1.5);
  c.tau = std::exp(chance.uniform(std::log(2.0), std::log(12.0)));
  c.beta = chance.uniform(0.65, 1.25);
  c.solid = c.d1 + chance.uniform(0.03, 0.15);  // long biting comes near full ink
  return c;
}

inline maker::Impression print_number(int seed, int which) {
  maker::Impression sheet;
  sheet.seed = static_cast<std::uint64_t>(1000 * seed + which);
  return sheet;
}

inline maker::Scanner a_scanner(int seed, double dpi) {
  maker::Scanner s;
  s.seed = static_cast<std::uint64_t>(seed);
  s.channels = 1;
  s.dpi = dpi;
  s.turn_deg = (seed * 37) % 360;
  return s;
}

}  // namespace rebite::wedge::measure_parts

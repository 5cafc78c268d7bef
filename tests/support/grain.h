// An aquatint ground: resin grains lying at random but evenly, one to each cell of a lattice. The
// land under a grain shrinks towards its centre as the bite goes on, so the rank of a place (the
// coverage at which it is bitten away) is high near a centre and low far from all of them.
#pragma once

#include <cstdint>
#include <vector>

#include "units/lengths.h"

namespace rebite::maker {

class Grain {
 public:
  // spacing_mm: mean distance from grain to grain. Covers the plate; outside it ranks are those of
  // the border cells. The lattice lies in one of seven directions by the seed, so that two grounds
  // share no places (on the same lattice ranks would correlate by 0.01).
  Grain(std::uint64_t seed, double spacing_mm, SizeMm plate);

  // Uniform in 0..1 over the plate: the place is inked where rank < coverage.
  float rank(float x_mm, float y_mm) const;

  double spacing_mm() const { return spacing_; }

 private:
  struct Centre {
    float x, y, weight;  // in cells
  };
  double spacing_;
  float u_x_, u_y_, u_0_, v_x_, v_y_, v_0_;  // plate mm to cells
  int columns_, rows_;                       // with a border of 2 cells all round
  std::vector<Centre> centres_;
};

// How much of a pixel is inked: the step at rank = coverage is softened over `softness` (0..1, in
// rank) because a sample has a size, and the mean over all ranks stays the coverage exactly.
class SoftEdge {
 public:
  explicit SoftEdge(double softness);
  // Coverage 0..1 -> threshold to be compared with ranks.
  float threshold(float coverage) const;
  // Inked share of the sample.
  float inked(float threshold, float rank) const {
    const float o = (threshold - rank) * inverse_ + 0.5F;
    return o < 0.F ? 0.F : (o > 1.F ? 1.F : o);
  }

 private:
  float softness_, inverse_;
};

}  // namespace rebite::maker

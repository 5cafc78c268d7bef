// Smooth random fields over the plate or platen, exact at any point: a sum of plane waves.
#pragma once

#include <array>
#include <cstdint>

namespace rebite::maker {

class Waves {
 public:
  // Wavelengths between the two, in mm.
  Waves(std::uint64_t seed, double shortest_mm, double longest_mm);
  // Mean 0 and sd 1 over a large area.
  double unit_sd(double x_mm, double y_mm) const;
  // Within -1..1.
  double unit_peak(double x_mm, double y_mm) const;

 private:
  struct Wave {
    double kx, ky, phase;
  };
  std::array<Wave, 5> waves_;
};

}  // namespace rebite::maker

// Smooth random fields over the plate or platen, exact at any point: a sum of plane waves.
#pragma once

#include <array>
#include <cstdint>
#include <vector>

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

// unit_peak on a lattice of 1 mm, linear between: for maps of many pixels. Waves of 8 mm and more.
class WaveTable {
 public:
  WaveTable(const Waves& waves, double width_mm, double height_mm);
  double at(double x_mm, double y_mm) const;

 private:
  int columns_, rows_;
  std::vector<double> values_;
};

}  // namespace rebite::maker

// Monotone piecewise cubic interpolation for the scanner curve (the wedge room has its own for tone
// against minutes; scan may not include it).
#pragma once

#include <vector>

namespace rebite::scan {

// Cubic Hermite interpolant with the slopes of F. N. Fritsch & J. Butland, SIAM J. Sci. Stat.
// Comput. 5 (1984) 300-304 (three-point one-sided ends, clamped): never overshoots, keeps rising
// data rising.
class Monotone {
 public:
  // x strictly increasing, same length as y, >= 2.
  Monotone(std::vector<double> x, std::vector<double> y);
  // Outside the range the end value holds.
  double at(double x) const;
  const std::vector<double>& slopes() const { return slope_; }

 private:
  std::vector<double> x_, y_, slope_;
};

std::vector<double> log10_of(const std::vector<double>& v);

}  // namespace rebite::scan

// Monotone piecewise cubic interpolation: the scanner curve's, and under the wedge room's curves
// (wedge/pchip.h adds the inverse).
#pragma once

#include <vector>

namespace rebite::scan {

// One slope per point, x strictly increasing, same size as y, >= 2: F. N. Fritsch & J. Butland,
// SIAM J. Sci. Stat. Comput. 5 (1984) 300-304, with the weighted harmonic mean of Brodlie for
// unequal steps and three-point one-sided ends, clamped (the PCHIM rule of SLATEC).
std::vector<double> fritsch_butland_slopes(const std::vector<double>& x,
                                           const std::vector<double>& y);

// The cubic Hermite piece of width h at share t (0..1) of it, between values y and slopes m.
double hermite_piece(double h, double t, double y0, double m0, double y1, double m1);

// The cubic through the points with those slopes: never overshoots, keeps rising data rising.
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

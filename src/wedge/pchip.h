// Piecewise cubic Hermite interpolation that never overshoots its points.
//
// Two ways to choose the slopes at the points, both keep a rising table rising:
//  - fritsch_butland_slopes: Fritsch & Butland, SIAM J. Sci. Stat. Comput. 5 (1984) 300-304, with
//    the weighted harmonic mean of Brodlie for unequal steps (the PCHIM rule of SLATEC). The tool's
//    curves use this one.
//  - fritsch_carlson_slopes: Fritsch & Carlson, SIAM J. Numer. Anal. 17 (1980) 238-246, the limiter
//    alpha^2 + beta^2 <= 9 on mean secants.
#pragma once

#include <vector>

namespace rebite::wedge {

// x strictly increasing, same size as y, at least 2 points. Result: one slope per point.
std::vector<double> fritsch_butland_slopes(const std::vector<double>& x,
                                           const std::vector<double>& y);
std::vector<double> fritsch_carlson_slopes(const std::vector<double>& x,
                                           const std::vector<double>& y);

// The cubic through (x, y) with the given slopes. Outside the points the end value holds and the
// slope is 0: nothing is extrapolated.
class HermiteCurve {
 public:
  HermiteCurve() = default;
  HermiteCurve(std::vector<double> x, std::vector<double> y, std::vector<double> slopes);
  // With fritsch_butland_slopes.
  HermiteCurve(std::vector<double> x, std::vector<double> y);

  double at(double x) const;
  double slope_at(double x) const;
  // Smallest x with at(x) >= y, for curves that never fall; y within the curve's values.
  double inverse(double y) const;

  const std::vector<double>& x() const { return x_; }
  const std::vector<double>& y() const { return y_; }
  const std::vector<double>& slopes() const { return slopes_; }

 private:
  double in_piece(std::size_t i, double x) const;
  std::vector<double> x_, y_, slopes_;
};

}  // namespace rebite::wedge

// Density is a point on a scale, a tone gap is the difference of two such points.
//
// Density here is reflection density above the sheet's own bare paper:
//   D = -log10(mean reflectance over the aperture / reflectance of the paper)   (ISO 5-4 is the
// geometry a densitometer would use; a flatbed is not that, so results are "scanner density").
// Means are always taken in reflectance, never in density: grain makes the two differ.
#pragma once

#include <cmath>
#include <compare>

namespace rebite {

// A difference of densities. Positive: darker. Unit: log10.
class ToneGap {
 public:
  static constexpr ToneGap of(double d) { return ToneGap{d}; }
  constexpr double value() const { return d_; }
  friend constexpr auto operator<=>(ToneGap, ToneGap) = default;
  friend constexpr ToneGap operator-(ToneGap a) { return ToneGap{-a.d_}; }
  friend constexpr ToneGap operator+(ToneGap a, ToneGap b) { return ToneGap{a.d_ + b.d_}; }
  friend constexpr ToneGap operator-(ToneGap a, ToneGap b) { return ToneGap{a.d_ - b.d_}; }
  friend constexpr ToneGap operator*(ToneGap a, double k) { return ToneGap{a.d_ * k}; }

 private:
  explicit constexpr ToneGap(double d) : d_(d) {}
  double d_;
};

// A density above bare paper. 0 is paper, about 1.4 a rich aquatint black. May be slightly
// negative through noise.
class Density {
 public:
  static constexpr Density of(double d) { return Density{d}; }
  // reflectance relative to paper, > 0.
  static Density of_reflectance(double relative) { return Density{-std::log10(relative)}; }
  constexpr double value() const { return d_; }
  double reflectance() const { return std::pow(10.0, -d_); }
  friend constexpr auto operator<=>(Density, Density) = default;
  friend constexpr ToneGap operator-(Density a, Density b) { return ToneGap::of(a.d_ - b.d_); }
  friend constexpr Density operator+(Density a, ToneGap g) { return Density{a.d_ + g.value()}; }
  friend constexpr Density operator-(Density a, ToneGap g) { return Density{a.d_ - g.value()}; }

 private:
  explicit constexpr Density(double d) : d_(d) {}
  double d_;
};

// A measured density with its standard error.
struct DensityEstimate {
  Density value = Density::of(0);
  double sd = 0;
};

// CIE L* (CIE 15:2004) of a relative luminance Y/Yn in 0..1 (may exceed 1 a little).
double lightness(double relative_luminance);
// L* of a density above paper, the paper taken as the white.
double lightness(Density d);

// The smallest gap a viewer notices side by side at this density: about 1 L*, and never less than
// 0.03 D in the lights rising to 0.06 D in the darks (trade practice; derived from CIE L*).
ToneGap visible_step(Density at);

// Murray-Davies: the inked share a of the area that prints density d when full coverage prints
// `solid`. a = (1 - 10^-d) / (1 - 10^-solid)  (A. Murray, J. Franklin Inst. 221, 1936).
// Both above paper; the result is not clamped: > 1 says "darker than the solid".
double coverage(Density d, Density solid);
Density density_of_coverage(double a, Density solid);

}  // namespace rebite

// Lengths, scales and places on the plate.
#pragma once

#include <compare>

namespace rebite {

// Scan resolution along one axis. There is no default: a scan without one stops at the door.
class PxPerMm {
 public:
  static constexpr PxPerMm of(double v) { return PxPerMm{v}; }
  static constexpr PxPerMm of_dpi(double dpi) { return PxPerMm{dpi / 25.4}; }
  constexpr double value() const { return v_; }
  constexpr double dpi() const { return v_ * 25.4; }
  friend constexpr auto operator<=>(PxPerMm, PxPerMm) = default;

 private:
  explicit constexpr PxPerMm(double v) : v_(v) {}
  double v_;
};

// A size in millimetres of the metal plate.
struct SizeMm {
  double width = 0;
  double height = 0;
};

// A place on the plate in the PRINT view: origin at the top-left corner of the plate mark as the
// print shows it, x right, y down, in mm of the metal plate (paper stretch taken out).
struct PlateMm {
  double x = 0;
  double y = 0;
};

// The same place in the PLATE view, as the metal lies before the printmaker.
struct MetalMm {
  double x = 0;
  double y = 0;
};

// The only mirror in the program: the plate is the print turned over left to right.
constexpr MetalMm plate_view(PlateMm p, SizeMm plate) { return {plate.width - p.x, p.y}; }
constexpr PlateMm print_view(MetalMm p, SizeMm plate) { return {plate.width - p.x, p.y}; }

}  // namespace rebite

// Bath temperature.
#pragma once

#include <compare>

namespace rebite {

class Temperature {
 public:
  static constexpr Temperature celsius(double c) { return Temperature{c}; }
  static constexpr Temperature fahrenheit(double f) { return Temperature{(f - 32.0) / 1.8}; }
  constexpr double in_celsius() const { return c_; }
  constexpr double in_fahrenheit() const { return c_ * 1.8 + 32.0; }
  constexpr double in_kelvin() const { return c_ + 273.15; }
  friend constexpr auto operator<=>(Temperature, Temperature) = default;

 private:
  explicit constexpr Temperature(double c) : c_(c) {}
  double c_;
};

}  // namespace rebite

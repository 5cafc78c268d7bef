#include "tests/support/waves.h"

#include <algorithm>
#include <cmath>
#include <numbers>

#include "tests/support/chance.h"

namespace rebite::maker {

Waves::Waves(std::uint64_t seed, double shortest_mm, double longest_mm) {
  Chance chance(seed);
  const double turn = chance.uniform(0, std::numbers::pi);
  double at = 0;
  for (auto& wave : waves_) {
    // Directions spread over the half circle, so that no field is a plain corrugation.
    const double n = static_cast<double>(waves_.size());
    const double direction = turn + std::numbers::pi * (at + chance.uniform(0, 0.6)) / n;
    const double share = (at + chance.uniform()) / n;
    const double length = shortest_mm * std::pow(longest_mm / shortest_mm, share);
    const double k = 2 * std::numbers::pi / length;
    wave = {k * std::cos(direction), k * std::sin(direction), chance.uniform(0, 6.283185307)};
    at += 1;
  }
}

double Waves::unit_sd(double x_mm, double y_mm) const {
  return unit_peak(x_mm, y_mm) * std::sqrt(2.0 * static_cast<double>(waves_.size()));
}

double Waves::unit_peak(double x_mm, double y_mm) const {
  double sum = 0;
  for (const auto& w : waves_) sum += std::sin(w.kx * x_mm + w.ky * y_mm + w.phase);
  return sum / static_cast<double>(waves_.size());
}

WaveTable::WaveTable(const Waves& waves, double width_mm, double height_mm)
    : columns_(static_cast<int>(width_mm) + 2), rows_(static_cast<int>(height_mm) + 2) {
  for (int r = 0; r < rows_; ++r) {
    for (int c = 0; c < columns_; ++c) values_.push_back(waves.unit_peak(c, r));
  }
}

double WaveTable::at(double x, double y) const {
  const int i = std::clamp(static_cast<int>(x), 0, columns_ - 2);
  const int j = std::clamp(static_cast<int>(y), 0, rows_ - 2);
  const double* a = values_.data() + static_cast<std::ptrdiff_t>(j) * columns_ + i;
  const double* b = a + columns_;
  const double fx = x - i, fy = y - j;
  const double top = a[0] + fx * (a[1] - a[0]), bottom = b[0] + fx * (b[1] - b[0]);
  return top + fy * (bottom - top);
}

}  // namespace rebite::maker

// Chance for the plate maker: counter-based, so that a value depends on its place and seed only and
// never on the order in which threads ask. No std distribution: their values differ between
// standard libraries.
#pragma once

#include <cmath>
#include <cstdint>

namespace rebite::maker {

// splitmix64's finaliser (Steele, Lea, Flood, "Fast splittable pseudorandom number generators",
// OOPSLA 2014).
constexpr std::uint64_t mix(std::uint64_t z) {
  z += 0x9e3779b97f4a7c15ULL;
  z = (z ^ (z >> 30)) * 0xbf58476d1ce4e5b9ULL;
  z = (z ^ (z >> 27)) * 0x94d049bb133111ebULL;
  return z ^ (z >> 31);
}

constexpr std::uint64_t mix(std::uint64_t seed, std::uint64_t a) { return mix(mix(seed) ^ a); }
// A lattice place; |x|, |y| < 2^31.
constexpr std::uint64_t mix(std::uint64_t seed, std::int64_t x, std::int64_t y) {
  return mix(seed ^ mix((static_cast<std::uint64_t>(x) << 32) ^
                        (static_cast<std::uint64_t>(y) & 0xffffffffULL)));
}

// 0 <= u < 1.
constexpr double unit(std::uint64_t bits) { return static_cast<double>(bits >> 11) * 0x1.0p-53; }

// Mean 0, sd 1, nearly normal: four 16-bit uniforms summed (Irwin-Hall), within +-3.46.
constexpr double bell(std::uint64_t bits) {
  const double sum = static_cast<double>((bits & 0xffff) + ((bits >> 16) & 0xffff) +
                                         ((bits >> 32) & 0xffff) + (bits >> 48));
  return (sum / 65535.0 - 2.0) * 1.7320508075688772;
}

// A stream, for setting things up in a fixed order.
class Chance {
 public:
  explicit Chance(std::uint64_t seed) : seed_(mix(seed)) {}
  double uniform() { return unit(mix(seed_, n_++)); }
  double uniform(double low, double high) { return low + (high - low) * uniform(); }
  double normal() { return bell(mix(seed_, n_++)); }
  // 0 .. n-1
  int below(int n) { return static_cast<int>(uniform() * n); }

 private:
  std::uint64_t seed_;
  std::uint64_t n_ = 0;
};

}  // namespace rebite::maker

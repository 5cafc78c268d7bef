#include "plan/draws.h"

#include <boost/math/special_functions/erf.hpp>
#include <cmath>
#include <numbers>
#include <numeric>
#include <random>
#include <utility>

namespace rebite::plan {

std::vector<double> normal_hypercube(std::size_t count, std::size_t dims, std::uint64_t seed) {
  std::mt19937_64 engine(seed);
  std::vector<double> slices(count);
  for (std::size_t i = 0; i < count; ++i) {
    const double p = (static_cast<double>(i) + 0.5) / static_cast<double>(count);
    slices[i] = -std::numbers::sqrt2 * boost::math::erfc_inv(2 * p);
  }
  std::vector<double> draws(count * dims);
  std::vector<std::size_t> order(count);
  for (std::size_t d = 0; d < dims; ++d) {
    std::iota(order.begin(), order.end(), std::size_t{0});
    for (std::size_t i = count; i > 1; --i) {
      std::swap(order[i - 1], order[static_cast<std::size_t>(engine() % i)]);
    }
    for (std::size_t i = 0; i < count; ++i) draws[i * dims + d] = slices[order[i]];
  }
  return draws;
}

}  // namespace rebite::plan

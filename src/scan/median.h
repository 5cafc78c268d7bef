#pragma once

#include <algorithm>
#include <cstddef>
#include <limits>
#include <vector>

namespace rebite::scan {

// The upper of the two middle values of an even number; NaN of none.
inline double median(std::vector<double> v) {
  if (v.empty()) return std::numeric_limits<double>::quiet_NaN();
  const auto mid = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), mid, v.end());
  return *mid;
}

}  // namespace rebite::scan

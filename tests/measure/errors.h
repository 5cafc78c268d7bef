// Errors of one kind, gathered for a table.
#pragma once

#include <algorithm>
#include <cmath>

namespace rebite::measure {

struct Errors {
  double squares = 0, worst = 0;
  int n = 0;
  void add(double e) {
    squares += e * e;
    worst = std::max(worst, std::abs(e));
    ++n;
  }
  double rms() const { return n ? std::sqrt(squares / n) : 0; }
};

}  // namespace rebite::measure

// Optimal classes of values on a line.
#pragma once

#include <vector>

#include "units/problem.h"

namespace rebite::plan {

// `count` classes of values in rising order with the least weighted sum of squares about the class
// means (Fisher 1958; Jenks & Caspall 1971), exactly.
struct Classes {
  std::vector<double> means;   // weighted, rising
  std::vector<double> maxima;  // largest value of each class
  std::vector<int> counts;
  double within = 0;  // weighted sum of squares about the class means
  double fit = 1;     // 1 - within / about the mean of all (goodness of variance fit)
};

// Values in any order; `weights` empty (all 1) or one per value, > 0. Fewer distinct values than
// `count` give one class per distinct value. Refuses (usage) count < 1 or more classes than values.
Result<Classes> optimal_classes(std::vector<double> values, std::vector<double> weights, int count);

}  // namespace rebite::plan

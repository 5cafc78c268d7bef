#include "wedge/isotonic.h"

#include <cassert>
#include <cstddef>
#include <utility>

namespace rebite::wedge {

std::vector<double> isotonic(const std::vector<double>& y, const std::vector<double>& weights) {
  assert(weights.empty() || weights.size() == y.size());
  struct Pool {
    double sum, weight;
    std::size_t count;
    double mean() const { return sum / weight; }
  };
  std::vector<Pool> pools;
  for (std::size_t i = 0; i < y.size(); ++i) {
    const double w = weights.empty() ? 1.0 : weights[i];
    assert(w > 0);
    pools.push_back({w * y[i], w, 1});
    while (pools.size() > 1 && pools[pools.size() - 2].mean() >= pools.back().mean()) {
      const Pool last = pools.back();
      pools.pop_back();
      pools.back().sum += last.sum;
      pools.back().weight += last.weight;
      pools.back().count += last.count;
    }
  }
  std::vector<double> fit;
  fit.reserve(y.size());
  for (const Pool& p : pools) fit.insert(fit.end(), p.count, p.mean());
  return fit;
}

std::vector<std::pair<std::size_t, std::size_t>> pooled_runs(const std::vector<double>& y,
                                                             const std::vector<double>& fit) {
  std::vector<std::pair<std::size_t, std::size_t>> runs;
  for (std::size_t i = 0; i < fit.size();) {
    std::size_t j = i;
    bool moved = fit[i] != y[i];
    while (j + 1 < fit.size() && fit[j + 1] == fit[i]) {
      ++j;
      moved = moved || fit[j] != y[j];
    }
    if (j > i && moved) runs.emplace_back(i, j);
    i = j + 1;
  }
  return runs;
}

}  // namespace rebite::wedge

#include "plan/classes.h"

#include <fmt/format.h>

#include <algorithm>
#include <cassert>
#include <cstddef>
#include <numeric>

#include "plan/chain.h"

namespace rebite::plan {
namespace {

// Sums over values[0..k), about a central value so that large values do not eat the digits.
struct Sums {
  std::vector<double> w, wx, wxx;

  Sums(const std::vector<double>& x, const std::vector<double>& weight, double centre)
      : w(x.size() + 1, 0), wx(x.size() + 1, 0), wxx(x.size() + 1, 0) {
    for (std::size_t i = 0; i < x.size(); ++i) {
      const double d = x[i] - centre;
      w[i + 1] = w[i] + weight[i];
      wx[i + 1] = wx[i] + weight[i] * d;
      wxx[i + 1] = wxx[i] + weight[i] * d * d;
    }
  }
  // Of squares about the mean over values[i..j).
  double squares(std::size_t i, std::size_t j) const {
    const double sw = w[j] - w[i], sx = wx[j] - wx[i];
    return std::max(0.0, wxx[j] - wxx[i] - sx * sx / sw);
  }
};

}  // namespace

Result<Classes> optimal_classes(std::vector<double> values,
                                std::vector<double> weights,
                                int count) {
  if (weights.empty()) weights.assign(values.size(), 1.0);
  assert(weights.size() == values.size());
  if (count < 1 || static_cast<std::size_t>(count) > values.size()) {
    return refuse(
        ProblemKind::usage,
        fmt::format("{} classes were asked for, and there are {} values", count, values.size()),
        "Ask for at least one class and not more than there are values.");
  }
  std::vector<std::size_t> order(values.size());
  std::iota(order.begin(), order.end(), std::size_t{0});
  std::sort(order.begin(), order.end(), [&](std::size_t a, std::size_t b) {
    return values[a] != values[b] ? values[a] < values[b] : weights[a] < weights[b];
  });
  std::vector<double> x, w;
  for (const std::size_t i : order) {
    assert(weights[i] > 0);
    x.push_back(values[i]);
    w.push_back(weights[i]);
  }
  const auto distinct =
      1 + std::count_if(x.begin() + 1, x.end(), [&](const double& v) { return v != *(&v - 1); });
  count = std::min(count, static_cast<int>(distinct));

  const double centre = std::accumulate(x.begin(), x.end(), 0.0) / static_cast<double>(x.size());
  const Sums sums(x, w, centre);
  const int n = static_cast<int>(x.size());
  const auto chains = cheapest_chains(n + 1, count, [&](int i, int j) {
    return sums.squares(static_cast<std::size_t>(i), static_cast<std::size_t>(j));
  });
  const Chain& chain = chains[static_cast<std::size_t>(count - 1)];

  Classes classes;
  for (std::size_t k = 0; k + 1 < chain.nodes.size(); ++k) {
    const auto i = static_cast<std::size_t>(chain.nodes[k]);
    const auto j = static_cast<std::size_t>(chain.nodes[k + 1]);
    classes.means.push_back(centre + (sums.wx[j] - sums.wx[i]) / (sums.w[j] - sums.w[i]));
    classes.maxima.push_back(x[j - 1]);
    classes.counts.push_back(static_cast<int>(j - i));
    classes.within += sums.squares(i, j);
  }
  const double all = sums.squares(0, x.size());
  classes.fit = all > 0 ? 1.0 - classes.within / all : 1.0;
  return classes;
}

}  // namespace rebite::plan

#include "plan/chain.h"

#include <algorithm>
#include <cassert>
#include <cstddef>

namespace rebite::plan {

std::vector<Chain> cheapest_chains(int nodes,
                                   int max_links,
                                   const std::function<double(int, int)>& cost) {
  assert(nodes >= 2 && max_links >= 1);
  const auto n = static_cast<std::size_t>(nodes);
  const auto links = static_cast<std::size_t>(max_links);
  std::vector<double> link(n * n, no_way);
  for (std::size_t i = 0; i < n; ++i) {
    for (std::size_t j = i + 1; j < n; ++j) {
      link[i * n + j] = cost(static_cast<int>(i), static_cast<int>(j));
      assert(link[i * n + j] >= 0);
    }
  }
  // best[k][j]: cheapest way to node j with k links; from[k][j]: the node before it.
  std::vector<std::vector<double>> best(links + 1, std::vector<double>(n, no_way));
  std::vector<std::vector<std::size_t>> from(links + 1, std::vector<std::size_t>(n, 0));
  best[0][0] = 0;
  for (std::size_t k = 1; k <= links; ++k) {
    for (std::size_t j = 1; j < n; ++j) {
      for (std::size_t i = 0; i < j; ++i) {
        const double c = best[k - 1][i] + link[i * n + j];
        if (c < best[k][j]) {
          best[k][j] = c;
          from[k][j] = i;
        }
      }
    }
  }
  std::vector<Chain> chains(links);
  for (std::size_t k = 1; k <= links; ++k) {
    Chain& chain = chains[k - 1];
    chain.cost = best[k][n - 1];
    if (chain.cost == no_way) continue;
    std::size_t node = n - 1;
    for (std::size_t left = k; left > 0; --left) {
      chain.nodes.push_back(static_cast<int>(node));
      node = from[left][node];
    }
    chain.nodes.push_back(0);
    std::reverse(chain.nodes.begin(), chain.nodes.end());
  }
  return chains;
}

}  // namespace rebite::plan

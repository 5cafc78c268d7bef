// The one-dimensional dynamic programme behind stages and classes: cheapest chains of cuts.
#pragma once

#include <functional>
#include <limits>
#include <vector>

namespace rebite::plan {

inline constexpr double no_way = std::numeric_limits<double>::infinity();

// A chain from node 0 to node nodes-1 with exactly `links` links.
struct Chain {
  double cost = no_way;    // no_way: there is no such chain
  std::vector<int> nodes;  // nodes visited, first and last included
};

// The cheapest chain for every number of links 1..max_links, exactly (Bellman's recursion over the
// nodes in order; every chain is a path in a graph whose arrows only go up, so nothing is missed).
// `cost(i, j)`, i < j, is the cost of a link, >= 0 or no_way; it is asked once per pair.
// Of equal costs the chain with the lower nodes wins, so the result depends on nothing else.
// Element k-1 is the chain of k links. Work: max_links * nodes^2 / 2.
std::vector<Chain> cheapest_chains(int nodes,
                                   int max_links,
                                   const std::function<double(int, int)>& cost);

}  // namespace rebite::plan

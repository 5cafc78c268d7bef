#include "tone/narrow.h"

#include <algorithm>
#include <numeric>
#include <vector>

#include "tone/at.h"
#include "tone/borders.h"
#include "tone/partition.h"
#include "tone/tasks.h"

namespace rebite::tone {
namespace {

int root_of(const std::vector<int>& into, int k) {
  while (into[at(k)] != k) k = into[at(k)];
  return k;
}

// The neighbour that loses the least tone; among near equals the longer border. -1: none.
int best_neighbour(const PartGraph& g,
                   const std::vector<int>& into,
                   const std::vector<PartSums>& sums,
                   int k) {
  double whole = 0;
  std::map<int, double> shared;
  for (const auto& [n, mm] : g.border[at(k)]) {
    const int r = root_of(into, n);
    if (r == k) continue;
    shared[r] += mm;
    whole += mm;
  }
  int best = -1;
  double least = 0;
  for (const auto& [r, mm] : shared) {
    const double loss = steps_apart(sums[at(k)], sums[at(r)]) - 0.5 * mm / whole;
    if (best >= 0 && loss >= least) continue;
    best = r;
    least = loss;
  }
  return best;
}

}  // namespace

int merge_narrow(
    cv::Mat1i& labels, int count, const Cells& c, const cv::Mat1b& left_out, double brush_mm) {
  for (int round = 0; round < 20; ++round) {
    PartGraph g;
    std::vector<double> width;
    at_once({[&] { width = widths(labels, count, c.mm); },
             [&] { g = graph_of(labels, count, c, left_out); }});
    std::vector<int> narrow;
    for (int k = 0; k < count; ++k) {
      if (width[at(k)] < brush_mm) narrow.push_back(k);
    }
    std::sort(narrow.begin(), narrow.end(), [&](int a, int b) {
      const double x = g.parts[at(a)].area;
      const double y = g.parts[at(b)].area;
      return x != y ? x < y : a < b;
    });
    std::vector<int> into(at(count));
    std::iota(into.begin(), into.end(), 0);
    std::vector<PartSums> sums = g.parts;
    std::vector<bool> grown(at(count), false);
    bool changed = false;
    for (const int k : narrow) {
      if (root_of(into, k) != k || grown[at(k)]) continue;  // no longer what was measured: judge anew
      const int to = best_neighbour(g, into, sums, k);
      if (to < 0) continue;
      sums[at(to)].add(sums[at(k)]);
      into[at(k)] = to;
      grown[at(to)] = true;
      changed = true;
    }
    if (!changed) break;
    std::vector<int> number(at(count), -1);
    std::vector<int> table(at(count));
    int next = 0;
    for (int k = 0; k < count; ++k) {
      const int r = root_of(into, k);
      if (number[at(r)] < 0) number[at(r)] = next++;
      table[at(k)] = number[at(r)];
    }
    relabel(labels, table);
    count = next;
  }
  return count;
}

}  // namespace rebite::tone

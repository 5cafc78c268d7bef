#include "tone/narrow.h"

#include <algorithm>
#include <numeric>
#include <utility>
#include <vector>

#include "tone/at.h"
#include "tone/borders.h"
#include "tone/boxes.h"
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

// Whether a circle of `diameter_mm` fits into part k (`rect`: its box), by the distance to the
// nearest cell outside. In a large part window by window, what lies beside the window counting as
// outside: a circle that fits into one fits into the part; all of it is looked at where none does.
bool holds_circle(
    const cv::Mat1i& labels, int k, cv::Rect rect, double diameter_mm, double cell_mm) {
  constexpr int window = 256;
  const auto widest = [&](cv::Rect where) { return width_within(labels, k, where, cell_mm); };
  if (rect.area() > 2 * window * window)
    for (int y = rect.y; y < rect.br().y; y += window)
      for (int x = rect.x; x < rect.br().x; x += window)
        if (widest(cv::Rect(x, y, window, window) & rect) >= diameter_mm) return true;
  return widest(rect) >= diameter_mm;
}

}  // namespace

int merge_narrow(cv::Mat1i& labels,
                 int count,
                 const Cells& c,
                 const cv::Mat1b& left_out,
                 double brush_mm,
                 JoinedNarrow joined) {
  std::vector<char> wide(at(count), 0);  // for good: parts only grow here
  for (int round = 0; round < 20; ++round) {
    PartGraph g;
    const std::vector<Box> box = boxes(labels, count);
    // The graph beside the widths of the parts, which are many small tasks.
    for_each_of(count + 1, [&](int task) {
      if (task == 0) {
        g = graph_of(labels, count, c, left_out);
      } else if (const auto k = at(task - 1); !wide[k] && box[k].cells > 0) {
        wide[k] = holds_circle(labels, task - 1, box[k].rect, brush_mm, c.mm) ? 1 : 0;
      }
    });
    std::vector<int> narrow;
    for (int k = 0; k < count; ++k) {
      if (!wide[at(k)]) narrow.push_back(k);
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
      if (root_of(into, k) != k) continue;  // something narrow was merged with it: judge anew
      if (grown[at(k)] && joined == JoinedNarrow::stay) continue;  // no longer as narrow: the same
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
    std::vector<char> still_wide(at(next), 0);
    for (int k = 0; k < count; ++k)
      if (wide[at(k)]) still_wide[at(table[at(k)])] = 1;
    wide = std::move(still_wide);
    count = next;
  }
  return count;
}

}  // namespace rebite::tone

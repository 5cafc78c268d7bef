#include "tone/numbering.h"

#include <algorithm>
#include <map>
#include <numeric>
#include <set>
#include <tuple>

namespace rebite::tone {
namespace {

struct Overlap {
  int region, old;
  int pixels;
};

}  // namespace

std::vector<int> number_regions(const cv::Mat1i& labels, int count, const cv::Mat1w& previous) {
  std::vector<int> area(static_cast<std::size_t>(count), 0);
  std::map<int, int> old_area;
  std::map<std::pair<int, int>, int> shared;
  int last_old = 0;
  for (int i = 0; i < labels.rows; ++i) {
    const int* row = labels[i];
    const ushort* before = previous.empty() ? nullptr : previous[i];
    for (int j = 0; j < labels.cols;) {  // run by run
      const int k = row[j], old = before ? before[j] : 0, from = j;
      while (j < labels.cols && row[j] == k && (!before || before[j] == old)) ++j;
      if (k >= 0) area[static_cast<std::size_t>(k)] += j - from;
      if (old == 0) continue;
      old_area[old] += j - from;
      last_old = std::max(last_old, old);
      if (k >= 0) shared[{k, old}] += j - from;
    }
  }
  std::vector<int> number(static_cast<std::size_t>(count), 0);
  std::vector<Overlap> overlaps;
  for (const auto& [pair, n] : shared) {
    const int smaller = std::min(area[static_cast<std::size_t>(pair.first)], old_area[pair.second]);
    if (3 * n >= smaller) overlaps.push_back({pair.first, pair.second, n});
  }
  std::sort(overlaps.begin(), overlaps.end(), [](const Overlap& a, const Overlap& b) {
    return std::tie(b.pixels, a.region, a.old) < std::tie(a.pixels, b.region, b.old);
  });
  std::set<int> taken;
  for (const Overlap& o : overlaps) {
    int& n = number[static_cast<std::size_t>(o.region)];
    if (n == 0 && taken.insert(o.old).second) n = o.old;
  }
  std::vector<int> order(static_cast<std::size_t>(count));
  std::iota(order.begin(), order.end(), 0);
  std::stable_sort(order.begin(), order.end(), [&](int a, int b) {
    return area[static_cast<std::size_t>(a)] > area[static_cast<std::size_t>(b)];
  });
  int next = last_old + 1;
  for (const int k : order) {
    int& n = number[static_cast<std::size_t>(k)];
    if (n == 0) n = next++;
  }
  return number;
}

}  // namespace rebite::tone

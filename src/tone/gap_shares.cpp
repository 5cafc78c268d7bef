#include "tone/gap_shares.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "tone/tasks.h"

namespace rebite::tone {
namespace {

constexpr std::size_t kBins = 36;

std::size_t bin_of(const GapShares& s, double gap) {
  const double k = std::floor((gap - s.from) / s.step + 1e-9);
  return static_cast<std::size_t>(std::clamp(k, 0.0, static_cast<double>(kBins - 1)));
}

}  // namespace

GapShares gap_shares(const RegionMap& map,
                     const std::map<int, double>& change,
                     const std::map<int, double>& darkest) {
  GapShares out;
  out.before.assign(kBins, 0);
  out.after.assign(kBins, 0);
  std::vector<double> added(
      change.empty() ? 1 : static_cast<std::size_t>(change.rbegin()->first) + 1, 0.0);
  for (const auto& [id, density] : change) added[static_cast<std::size_t>(id)] = density;
  // By bands of rows: whole numbers, so their sum has no order.
  constexpr int bands = 16;
  struct Counts {
    std::array<int, kBins> before{}, after{};
    int seen = 0;
  };
  std::array<Counts, bands> counts;
  const auto count_row = [&](int i, Counts& to) {
    for (int j = 0; j < map.gap.cols; ++j) {
      const double gap = static_cast<double>(map.gap(i, j));
      if (!std::isfinite(gap)) continue;
      const std::size_t id = map.labels(i, j);
      const double plus = id < added.size() ? added[id] : 0.0;
      ++to.seen;
      ++to.before[bin_of(out, gap)];
      double after = gap - plus;
      if (std::isinf(plus)) {
        const auto limit = darkest.find(static_cast<int>(id));
        const double short_by =
            limit == darkest.end() ? 0.0 : static_cast<double>(map.target(i, j)) - limit->second;
        after = std::clamp(short_by, 0.0, std::max(0.0, gap));
      }
      ++to.after[bin_of(out, after)];
    }
  };
  for_each_of(bands, [&](int b) {
    const int rows = map.gap.rows;
    for (int i = rows * b / bands; i < rows * (b + 1) / bands; ++i)
      count_row(i, counts[static_cast<std::size_t>(b)]);
  });
  double seen = 0;
  for (const Counts& c : counts) {
    seen += c.seen;
    for (std::size_t k = 0; k < kBins; ++k) {
      out.before[k] += c.before[k];
      out.after[k] += c.after[k];
    }
  }
  for (std::vector<double>* list : {&out.before, &out.after}) {
    for (double& share : *list) share /= std::max(1.0, seen);
  }
  return out;
}

}  // namespace rebite::tone

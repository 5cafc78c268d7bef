#include "scan/paper_cells.h"

#include <algorithm>
#include <array>
#include <bit>
#include <cmath>
#include <cstdint>
#include <limits>

namespace rebite::scan {
namespace {

struct CellLevel {
  double mean = 0, scatter = 0;
};

// The value that as many others lie below as above (the upper of two): counted in 256 drawers
// first, so that only the drawer that holds it is looked through.
float middle_of(const std::vector<float>& v, std::vector<std::int32_t>& whole) {
  // As whole numbers floats above zero sort alike; below zero the other way round.
  whole.resize(v.size());
  for (std::size_t k = 0; k < v.size(); ++k) {
    const auto bits = std::bit_cast<std::int32_t>(v[k]);
    whole[k] = bits < 0 ? bits ^ std::numeric_limits<std::int32_t>::max() : bits;
  }
  const auto [low, high] = std::minmax_element(whole.begin(), whole.end());
  const std::int64_t least = *low;
  const int shift =
      std::max(0, static_cast<int>(std::bit_width(static_cast<std::uint64_t>(*high - least))) - 8);
  const auto drawer = [&](std::int32_t n) {
    return static_cast<std::size_t>((n - least) >> shift);
  };
  std::array<int, 256> held{};
  for (const std::int32_t n : whole) ++held[drawer(n)];
  auto before = static_cast<int>(v.size() / 2);
  std::size_t chosen = 0;
  while (before >= held[chosen]) before -= held[chosen++];
  whole.erase(std::remove_if(
                  whole.begin(), whole.end(), [&](std::int32_t n) { return drawer(n) != chosen; }),
              whole.end());
  std::nth_element(whole.begin(), whole.begin() + before, whole.end());
  const std::int32_t found = whole[static_cast<std::size_t>(before)];
  return std::bit_cast<float>(found < 0 ? found ^ std::numeric_limits<std::int32_t>::max() : found);
}

struct Workspace {
  std::vector<float> away;
  std::vector<std::int32_t> whole;
};

CellLevel measure(const std::vector<float>& v, Workspace& work) {
  const double median = middle_of(v, work.whole);
  std::vector<float>& away = work.away;
  double sum = 0, squares = 0;
  for (const float a : v) {
    sum += a;
    squares += double(a) * a;
  }
  const double n = double(v.size());
  const double plain_mean = sum / n;
  const double sd = std::sqrt(std::max(0.0, squares / n - plain_mean * plain_mean));
  away.resize(v.size());
  for (std::size_t k = 0; k < v.size(); ++k)
    away[k] = static_cast<float>(std::abs(double(v[k]) - median));
  const double cut = std::max(4 * 1.4826 * double(middle_of(away, work.whole)), 0.004 * median);
  sum = 0;
  int kept = 0;
  for (const float a : v) {
    if (std::abs(double(a) - median) > cut) continue;
    sum += a;
    ++kept;
  }
  return {kept > 0 ? sum / kept : median, sd / std::max(plain_mean, 1e-6)};
}

}  // namespace

cv::Point2d PaperCells::centre_px(int col, int row) const {
  return {(col + 0.5) * size - 0.5, (row + 0.5) * size - 0.5};
}

PaperCells measure_cells(const cv::Mat1f& reflectance, double px_per_mm) {
  PaperCells cells;
  const double shorter = std::min(reflectance.cols, reflectance.rows);
  const double longer = std::max(reflectance.cols, reflectance.rows);
  const double wanted = px_per_mm > 0 ? 2 * px_per_mm : shorter / 80;
  cells.size = std::clamp(wanted, std::max(longer / 400, 4.0), std::max(shorter / 12, 4.0));
  cells.cols = std::max(1, static_cast<int>(reflectance.cols / cells.size));
  cells.rows = std::max(1, static_cast<int>(reflectance.rows / cells.size));
  cells.level.create(cells.rows, cells.cols);
  cells.scatter.create(cells.rows, cells.cols);
  const int step = std::max(1, static_cast<int>(cells.size / 15));  // 225 places tell a middle
  std::vector<float> v;
  Workspace work;
  for (int r = 0; r < cells.rows; ++r) {
    const int y0 = static_cast<int>(r * cells.size);
    const int y1 = std::min(reflectance.rows, static_cast<int>((r + 1) * cells.size));
    for (int c = 0; c < cells.cols; ++c) {
      const int x0 = static_cast<int>(c * cells.size);
      const int x1 = std::min(reflectance.cols, static_cast<int>((c + 1) * cells.size));
      v.clear();
      for (int y = y0; y < y1; y += step) {
        const float* row = reflectance[y];
        for (int x = x0; x < x1; x += step) v.push_back(row[x]);
      }
      const CellLevel m = v.empty() ? CellLevel{1e-5, 1} : measure(v, work);
      cells.level(r, c) = static_cast<float>(std::log10(std::max(m.mean, 1e-5)));
      cells.scatter(r, c) = static_cast<float>(m.scatter);
    }
  }
  return cells;
}

std::vector<EvenArea> even_areas(const PaperCells& cells,
                                 double scatter_limit,
                                 double step_limit,
                                 int least) {
  std::vector<EvenArea> areas;
  cv::Mat1b seen(cells.rows, cells.cols, static_cast<unsigned char>(0));
  const auto even = [&](int r, int c) { return cells.scatter(r, c) < scatter_limit; };
  for (int r0 = 0; r0 < cells.rows; ++r0) {
    for (int c0 = 0; c0 < cells.cols; ++c0) {
      if (seen(r0, c0) || !even(r0, c0)) continue;
      EvenArea area;
      area.cells.push_back({c0, r0});
      seen(r0, c0) = 1;
      cv::Point low(c0, r0), high(c0, r0);
      bool side[4] = {false, false, false, false};
      for (std::size_t i = 0; i < area.cells.size(); ++i) {
        const cv::Point p = area.cells[i];
        area.level += double(cells.level(p));
        low = {std::min(low.x, p.x), std::min(low.y, p.y)};
        high = {std::max(high.x, p.x), std::max(high.y, p.y)};
        const bool on[4] = {p.x == 0, p.y == 0, p.x == cells.cols - 1, p.y == cells.rows - 1};
        if (on[0] || on[1] || on[2] || on[3]) ++area.border_cells;
        for (int k = 0; k < 4; ++k) side[k] = side[k] || on[k];
        constexpr int dx[] = {1, -1, 0, 0}, dy[] = {0, 0, 1, -1};
        for (int k = 0; k < 4; ++k) {
          const int c = p.x + dx[k], r = p.y + dy[k];
          if (c < 0 || r < 0 || c >= cells.cols || r >= cells.rows) continue;
          if (seen(r, c) || !even(r, c)) continue;
          if (std::abs(double(cells.level(r, c) - cells.level(p))) > step_limit) continue;
          seen(r, c) = 1;
          area.cells.push_back({c, r});
        }
      }
      if (static_cast<int>(area.cells.size()) < least) continue;
      area.level /= double(area.cells.size());
      area.sides = side[0] + side[1] + side[2] + side[3];
      area.span_x = double(high.x - low.x + 1) / cells.cols;
      area.span_y = double(high.y - low.y + 1) / cells.rows;
      areas.push_back(std::move(area));
    }
  }
  std::stable_sort(areas.begin(), areas.end(), [](const EvenArea& a, const EvenArea& b) {
    return a.cells.size() > b.cells.size();
  });
  return areas;
}

}  // namespace rebite::scan

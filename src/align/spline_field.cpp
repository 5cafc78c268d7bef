#include "align/spline_field.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include "align/vectors.h"

namespace rebite::align {
namespace {

// One cell's part of a row: a cubic in what a place lies beyond the cell's border.
struct Stretch {
  cv::Vec2d a0, a1, a2, a3;
  double start, per_step, most;  // of places, in cells
  int cell;
};

[[gnu::always_inline]] inline void add_stretch(const Stretch& s, int k, int end, cv::Vec2d* out) {
  for (; k < end; ++k) {
    const double t = std::clamp(s.start + k * s.per_step, 0.0, s.most) - s.cell;
    for (int c = 0; c < 2; ++c) out[k][c] += s.a0[c] + t * (s.a1[c] + t * (s.a2[c] + t * s.a3[c]));
  }
}
[[gnu::target("avx2")]] void add_stretch_avx2(const Stretch& s, int k, int end, cv::Vec2d* out) {
  add_stretch(s, k, end, out);
}

}  // namespace

CubicWeights::CubicWeights(double t) {
  const double r = 1 - t;
  value = {r * r * r / 6,
           (3 * t * t * t - 6 * t * t + 4) / 6,
           (-3 * t * t * t + 3 * t * t + 3 * t + 1) / 6,
           t * t * t / 6};
  slope = {-r * r / 2, (3 * t * t - 4 * t) / 2, (-3 * t * t + 2 * t + 1) / 2, t * t / 2};
  bend = {r, 3 * t - 2, 1 - 3 * t, t};
}

SplineGrid SplineGrid::over(const cv::Rect2d& area, double spacing) {
  SplineGrid grid;
  grid.origin = area.tl();
  grid.spacing = spacing;
  grid.cells_x = std::max(1, static_cast<int>(std::ceil(area.width / spacing - 1e-9)));
  grid.cells_y = std::max(1, static_cast<int>(std::ceil(area.height / spacing - 1e-9)));
  return grid;
}

SplineGrid SplineGrid::finer(int n) const {
  return {origin, spacing / n, cells_x * n, cells_y * n};
}

SplineGrid::Place SplineGrid::place(cv::Point2d mm) const {
  const double x = std::clamp((mm.x - origin.x) / spacing, 0.0, static_cast<double>(cells_x));
  const double y = std::clamp((mm.y - origin.y) / spacing, 0.0, static_cast<double>(cells_y));
  const int i = std::min(static_cast<int>(x), cells_x - 1);
  const int j = std::min(static_cast<int>(y), cells_y - 1);
  return {i, j, x - i, y - j};
}

SplineField::SplineField(SplineGrid grid, std::vector<cv::Vec2d> coefficients)
    : grid_(grid), coefficients_(std::move(coefficients)) {
  assert(static_cast<int>(coefficients_.size()) == grid_.size());
}

cv::Vec2d SplineField::at(cv::Point2d mm) const {
  if (empty()) return {};
  const SplineGrid::Place p = grid_.place(mm);
  const CubicWeights x(p.s), y(p.t);
  cv::Vec2d sum;
  for (std::size_t b = 0; b < 4; ++b)
    for (std::size_t a = 0; a < 4; ++a)
      sum += coefficients_[static_cast<std::size_t>(
                 grid_.index(p.i + static_cast<int>(a), p.j + static_cast<int>(b)))] *
             (x.value[a] * y.value[b]);
  return sum;
}

cv::Matx22d SplineField::slope_at(cv::Point2d mm) const {
  if (empty()) return cv::Matx22d::zeros();
  const SplineGrid::Place p = grid_.place(mm);
  const CubicWeights x(p.s), y(p.t);
  cv::Vec2d dx, dy;
  for (std::size_t b = 0; b < 4; ++b)
    for (std::size_t a = 0; a < 4; ++a) {
      const cv::Vec2d& c = coefficients_[static_cast<std::size_t>(
          grid_.index(p.i + static_cast<int>(a), p.j + static_cast<int>(b)))];
      dx += c * (x.slope[a] * y.value[b] / grid_.spacing);
      dy += c * (x.value[a] * y.slope[b] / grid_.spacing);
    }
  const double right = grid_.origin.x + grid_.cells_x * grid_.spacing;
  const double bottom = grid_.origin.y + grid_.cells_y * grid_.spacing;
  if (mm.x < grid_.origin.x || mm.x > right) dx = {};
  if (mm.y < grid_.origin.y || mm.y > bottom) dy = {};
  return {dx[0], dy[0], dx[1], dy[1]};
}

void SplineField::add_row(double x0, double step, double y, int n, cv::Vec2d* out) const {
  if (empty()) return;
  const SplineGrid::Place row = grid_.place({x0, y});
  const CubicWeights down(row.t);
  std::vector<cv::Vec2d> line(static_cast<std::size_t>(grid_.nx()));
  for (int i = 0; i < grid_.nx(); ++i)
    for (std::size_t b = 0; b < 4; ++b)
      line[static_cast<std::size_t>(i)] +=
          coefficients_[static_cast<std::size_t>(grid_.index(i, row.j + static_cast<int>(b)))] *
          down.value[b];
  // Cell by cell: there the sum of the four functions is one cubic in the fraction t.
  const double per_step = step / grid_.spacing, start = (x0 - grid_.origin.x) / grid_.spacing;
  const double most = static_cast<double>(grid_.cells_x);
  const bool avx2 = with_avx2(Vectors::widest);
  for (int k = 0; k < n;) {
    const double x = std::clamp(start + k * per_step, 0.0, most);
    const int i = std::min(static_cast<int>(x), grid_.cells_x - 1);
    const cv::Vec2d* c = &line[static_cast<std::size_t>(i)];
    const cv::Vec2d a0 = (c[0] + 4 * c[1] + c[2]) * (1.0 / 6), a1 = (c[2] - c[0]) * 0.5;
    const cv::Vec2d a2 = (c[0] - 2 * c[1] + c[2]) * 0.5;
    const cv::Vec2d a3 = (c[3] - c[0] + 3 * (c[1] - c[2])) * (1.0 / 6);
    const double next = i + 1 < grid_.cells_x ? (i + 1 - start) / per_step : n;
    const int end = std::clamp(static_cast<int>(std::ceil(next)), k + 1, n);
    const Stretch stretch{a0, a1, a2, a3, start, per_step, most, i};
    avx2 ? add_stretch_avx2(stretch, k, end, out) : add_stretch(stretch, k, end, out);
    k = end;
  }
}

}  // namespace rebite::align

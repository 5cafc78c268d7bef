#include "align/plate_pair.h"

#include <cassert>
#include <cmath>
#include <limits>

#include "align/parallel.h"
#include "align/tiles.h"

namespace rebite::align {
namespace {

constexpr float kNaN = std::numeric_limits<float>::quiet_NaN();

// Bilinear at (x, y) when all four pixels are inside the scan; NaN if one of them is NaN.
float inner_sample(const cv::Mat1f& scan, float x, float y) {
  const int i = static_cast<int>(x), j = static_cast<int>(y);
  const float s = x - static_cast<float>(i), t = y - static_cast<float>(j);
  const float *above = scan[j] + i, *below = scan[j + 1] + i;
  return (1 - t) * ((1 - s) * above[0] + s * above[1]) + t * ((1 - s) * below[0] + s * below[1]);
}

// Bilinear anywhere, the pixels that are NaN or outside left out; adds to sum and weight.
void add_sample(const cv::Mat1f& scan, float x, float y, float& sum, float& weight) {
  if (!(x >= -1 && y >= -1 && x < static_cast<float>(scan.cols) &&
        y < static_cast<float>(scan.rows))) {
    return;
  }
  const float fx = std::floor(x), fy = std::floor(y);
  const int column = static_cast<int>(fx), row = static_cast<int>(fy);
  const float tx = x - fx, ty = y - fy;
  for (int j = 0; j < 2; ++j)
    for (int i = 0; i < 2; ++i) {
      if (column + i < 0 || row + j < 0 || column + i >= scan.cols || row + j >= scan.rows) {
        continue;
      }
      const float v = scan(row + j, column + i);
      if (std::isnan(v)) continue;
      const float w = (i ? tx : 1 - tx) * (j ? ty : 1 - ty);
      sum += w * v;
      weight += w;
    }
}

// n x n places evenly over the cell whose corners lie at c (top-left, top-right, bottom-left,
// bottom-right): take(x, y).
template <class Take>
void for_places(const std::array<cv::Point2d, 4>& c, int n, const Take& take) {
  for (int j = 0; j < n; ++j) {
    const double v = (j + 0.5) / n;
    const cv::Point2d left = c[0] * (1 - v) + c[2] * v, right = c[1] * (1 - v) + c[3] * v;
    const cv::Point2d step = (right - left) / n;
    const cv::Point2d first = left + step * 0.5;
    for (int i = 0; i < n; ++i) {
      take(static_cast<float>(first.x + i * step.x), static_cast<float>(first.y + i * step.y));
    }
  }
}

// Mean reflectance over a cell: about one sample for each scan pixel in it.
float cell_mean(const cv::Mat1f& scan, const std::array<cv::Point2d, 4>& c) {
  const cv::Point2d a = c[1] - c[0], b = c[2] - c[0], d = c[3] - c[1], e = c[3] - c[2];
  const double side = std::sqrt(std::max({a.dot(a), b.dot(b), d.dot(d), e.dot(e)}));
  if (!std::isfinite(side)) return kNaN;
  const int n = std::clamp(static_cast<int>(std::ceil(side)), 1, 64);
  const auto [left, right] = std::minmax({c[0].x, c[1].x, c[2].x, c[3].x});
  const auto [top, bottom] = std::minmax({c[0].y, c[1].y, c[2].y, c[3].y});
  if (left >= 0 && top >= 0 && right < scan.cols - 2 && bottom < scan.rows - 2) {
    float sum = 0;
    for_places(c, n, [&](float x, float y) { sum += inner_sample(scan, x, y); });
    if (!std::isnan(sum)) return sum / static_cast<float>(n * n);
  }
  float sum = 0, weight = 0;
  for_places(c, n, [&](float x, float y) { add_sample(scan, x, y, sum, weight); });
  return weight >= 0.5F * static_cast<float>(n * n) ? sum / weight : kNaN;
}

struct CellRow {
  std::vector<cv::Point2d> proof, drawing;  // cell corners along one line of the grid
};

void place_row(CellRow& row, int j, const PlateGrid& grid, const Alignment& alignment) {
  const std::size_t n = static_cast<std::size_t>(grid.cols()) + 1;
  row.proof.resize(n);
  row.drawing.resize(n);
  for (std::size_t i = 0; i < n; ++i) {
    const PlateMm at{static_cast<double>(i) / grid.px_per_mm, j / grid.px_per_mm};
    row.proof[i] = alignment.plate->px_from_plate(at, grid.plate);
    row.drawing[i] = alignment.warp->drawing_from_proof(row.proof[i]);
  }
}

}  // namespace

int PlateGrid::cols() const {
  return std::max(1, static_cast<int>(std::ceil(plate.width * px_per_mm - 1e-9)));
}
int PlateGrid::rows() const {
  return std::max(1, static_cast<int>(std::ceil(plate.height * px_per_mm - 1e-9)));
}

PlatePair to_plate(const scan::DensityImage& proof,
                   const scan::DensityImage& drawing,
                   const Alignment& alignment,
                   PlateGrid grid) {
  assert(alignment.plate && alignment.warp && grid.px_per_mm > 0);
  PlatePair pair;
  pair.grid = grid;
  const int rows = grid.rows(), cols = grid.cols();
  pair.proof.create(rows, cols);
  pair.drawing.create(rows, cols);
  pair.tile_class.create(rows, cols);
  pair.sigma_mm.create(rows, cols);
  const TileLookup lookup(alignment.tiles);
  in_parallel(rows, 2, [&](int first, int last) {
    CellRow above, below;
    place_row(above, first, grid, alignment);
    for (int j = first; j < last; ++j) {
      place_row(below, j + 1, grid, alignment);
      for (int i = 0; i < cols; ++i) {
        const std::size_t k = static_cast<std::size_t>(i);
        pair.proof(j, i) =
            cell_mean(proof.relative,
                      {above.proof[k], above.proof[k + 1], below.proof[k], below.proof[k + 1]});
        pair.drawing(j, i) = cell_mean(
            drawing.relative,
            {above.drawing[k], above.drawing[k + 1], below.drawing[k], below.drawing[k + 1]});
        const Tile* tile = lookup.at((above.proof[k] + below.proof[k + 1]) * 0.5);
        pair.tile_class(j, i) = static_cast<unsigned char>(tile ? tile->kind : TileClass::unseen);
        pair.sigma_mm(j, i) =
            tile ? static_cast<float>(tile->sigma_mm) : std::numeric_limits<float>::infinity();
      }
      std::swap(above, below);
    }
  });
  return pair;
}

}  // namespace rebite::align

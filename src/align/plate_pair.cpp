#include "align/plate_pair.h"

#include <cassert>
#include <cmath>
#include <limits>

#include "align/parallel.h"
#include "align/tiles.h"

namespace rebite::align {
namespace {

constexpr float kNaN = std::numeric_limits<float>::quiet_NaN();

// Bilinear, the pixels that are NaN or outside left out; adds to sum and weight.
void add_sample(const cv::Mat1f& scan, cv::Point2d at, double& sum, double& weight) {
  const double fx = std::floor(at.x), fy = std::floor(at.y);
  if (!(fx >= -1 && fy >= -1 && fx < scan.cols && fy < scan.rows)) return;
  const int x = static_cast<int>(fx), y = static_cast<int>(fy);
  const double tx = at.x - fx, ty = at.y - fy;
  for (int j = 0; j < 2; ++j)
    for (int i = 0; i < 2; ++i) {
      if (x + i < 0 || y + j < 0 || x + i >= scan.cols || y + j >= scan.rows) continue;
      const float v = scan(y + j, x + i);
      if (std::isnan(v)) continue;
      const double w = (i ? tx : 1 - tx) * (j ? ty : 1 - ty);
      sum += w * static_cast<double>(v);
      weight += w;
    }
}

// Mean reflectance over the cell whose corners lie at c (top-left, top-right, bottom-left,
// bottom-right) in the scan: about one sample for each scan pixel in it.
float cell_mean(const cv::Mat1f& scan, const std::array<cv::Point2d, 4>& c) {
  const double side = std::max(
      {cv::norm(c[1] - c[0]), cv::norm(c[2] - c[0]), cv::norm(c[3] - c[1]), cv::norm(c[3] - c[2])});
  if (!std::isfinite(side)) return kNaN;
  const int n = std::clamp(static_cast<int>(std::ceil(side)), 1, 64);
  double sum = 0, weight = 0;
  for (int j = 0; j < n; ++j)
    for (int i = 0; i < n; ++i) {
      const double u = (i + 0.5) / n, v = (j + 0.5) / n;
      add_sample(
          scan,
          c[0] * ((1 - u) * (1 - v)) + c[1] * (u * (1 - v)) + c[2] * ((1 - u) * v) + c[3] * (u * v),
          sum,
          weight);
    }
  return weight >= 0.5 * n * n ? static_cast<float>(sum / weight) : kNaN;
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

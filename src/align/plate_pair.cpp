#include "align/plate_pair.h"

#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>
#include <limits>
#include <utility>
#include <vector>

#include "align/parallel.h"
#include "align/tiles.h"

namespace rebite::align {
namespace {

constexpr float kNaN = std::numeric_limits<float>::quiet_NaN();

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

using Corners = std::array<cv::Point2d, 4>;  // of a cell: two above, two below
using Line = std::vector<cv::Point2d>;       // cell corners along one line of the grid

Corners corners_of(const Line& above, const Line& below, std::size_t k) {
  return {above[k], above[k + 1], below[k], below[k + 1]};
}

// Square of the cell's longest side.
double longest_side(const Corners& c) {
  const cv::Point2d a = c[1] - c[0], b = c[2] - c[0], d = c[3] - c[1], e = c[3] - c[2];
  return std::max({a.dot(a), b.dot(b), d.dot(d), e.dot(e)});
}

int samples_along(double longest) {
  return std::clamp(static_cast<int>(std::ceil(std::sqrt(longest))), 1, 64);
}

// Mean reflectance over a cell that reaches over the scan's border or over places without value.
float ragged_mean(const cv::Mat1f& scan, const Corners& c) {
  const double longest = longest_side(c);
  if (!std::isfinite(longest)) return kNaN;
  const int n = samples_along(longest);
  float sum = 0, weight = 0;
  for_places(c, n, [&](float x, float y) { add_sample(scan, x, y, sum, weight); });
  return weight >= 0.5F * static_cast<float>(n * n) ? sum / weight : kNaN;
}

// Mean reflectance over the cells of a row: about one bilinear sample for each scan pixel in them.
// Works on a lot of cells sample by sample, so that the places are computed four at a time and
// the lot stays in the cache.
class RowMeans {
 public:
  explicit RowMeans(const cv::Mat1f& scan) : scan_(scan) {}

  void take(const Line& above, const Line& below, float* out) {
    const std::size_t cells = above.size() - 1;
    for (std::size_t first = 0; first < cells; first += kLot) {
      const std::size_t n = std::min(kLot, cells - first);
      lay_out(above, below, first, n);
      for (int j = 0; j < along_; ++j)
        for (int i = 0; i < along_; ++i) add(n, fraction(i), fraction(j));
      const float share = 1 / static_cast<float>(along_ * along_);
      for (std::size_t k = 0; k < n; ++k)
        out[first + k] = whole_[k] && !std::isnan(sum_[k])
                             ? sum_[k] * share
                             : ragged_mean(scan_, corners_of(above, below, first + k));
    }
  }

 private:
  static constexpr std::size_t kLot = 256;
  template <class T>
  using Lot = std::array<T, kLot>;

  // Corners relative to a pixel at or before them all: small numbers, which floats hold well.
  void lay_out(const Line& above, const Line& below, std::size_t first, std::size_t n) {
    double most = 1;
    for (std::size_t k = 0; k < n; ++k) {
      const Corners c = corners_of(above, below, first + k);
      const auto [left, right] = std::minmax({c[0].x, c[1].x, c[2].x, c[3].x});
      const auto [top, bottom] = std::minmax({c[0].y, c[1].y, c[2].y, c[3].y});
      const double longest = longest_side(c);
      const bool whole = std::isfinite(longest) && left >= 0 && top >= 0 &&
                         right < scan_.cols - 2 && bottom < scan_.rows - 2;
      whole_[k] = whole ? 1 : 0;
      const double x0 = whole_[k] ? std::floor(left) : 0, y0 = whole_[k] ? std::floor(top) : 0;
      if (whole_[k]) most = std::max(most, longest);
      base_[k] = static_cast<std::ptrdiff_t>(y0) * step() + static_cast<std::ptrdiff_t>(x0);
      for (std::size_t q = 0; q < 4; ++q) {
        x_[q][k] = whole_[k] ? static_cast<float>(c[q].x - x0) : 0;
        y_[q][k] = whole_[k] ? static_cast<float>(c[q].y - y0) : 0;
      }
    }
    // One number of samples for the lot: the most that a cell of it asks for.
    along_ = samples_along(most);
    std::fill_n(sum_.begin(), n, 0.0F);
    if (std::none_of(whole_.begin(), whole_.begin() + static_cast<std::ptrdiff_t>(n), [](char w) {
          return w != 0;
        }))
      along_ = 0;
  }

  // The sample at the fractions (s, t) of every cell.
  void add(std::size_t n, float s, float t) {
    const float w[4] = {(1 - s) * (1 - t), s * (1 - t), (1 - s) * t, s * t};
    for (std::size_t k = 0; k < n; ++k) {
      const float x = w[0] * x_[0][k] + w[1] * x_[1][k] + w[2] * x_[2][k] + w[3] * x_[3][k];
      const float y = w[0] * y_[0][k] + w[1] * y_[1][k] + w[2] * y_[2][k] + w[3] * y_[3][k];
      column_[k] = static_cast<int>(x);
      row_[k] = static_cast<int>(y);
      across_[k] = x - static_cast<float>(column_[k]);
      down_[k] = y - static_cast<float>(row_[k]);
    }
    const float* data = scan_.ptr<float>();
    for (std::size_t k = 0; k < n; ++k) {
      const float* a = data + base_[k] + row_[k] * step() + column_[k];
      const float* b = a + step();
      const float above = a[0] + across_[k] * (a[1] - a[0]);
      const float below = b[0] + across_[k] * (b[1] - b[0]);
      sum_[k] += above + down_[k] * (below - above);
    }
  }

  float fraction(int i) const {
    return (static_cast<float>(i) + 0.5F) / static_cast<float>(along_);
  }
  std::ptrdiff_t step() const { return static_cast<std::ptrdiff_t>(scan_.step1()); }

  const cv::Mat1f& scan_;
  int along_ = 1;
  Lot<char> whole_{};
  Lot<std::ptrdiff_t> base_{};
  std::array<Lot<float>, 4> x_{}, y_{};
  Lot<int> column_{}, row_{};
  Lot<float> across_{}, down_{}, sum_{};
};

struct CellRow {
  Line proof, drawing;
};

// Exact every half millimetre, straight between: the sheet bends over centimetres (over 0.5 mm a
// wander of 1.2 mm in 36 mm strays 0.001 mm from straight).
void place_row(CellRow& row, int j, const PlateGrid& grid, const Alignment& alignment) {
  const int n = grid.cols() + 1;
  const int step = std::clamp(static_cast<int>(grid.px_per_mm / 2), 1, 16);
  row.proof.resize(static_cast<std::size_t>(n));
  row.drawing.resize(static_cast<std::size_t>(n));
  const auto place = [&](int i) {
    const PlateMm at{i / grid.px_per_mm, j / grid.px_per_mm};
    const cv::Point2d proof = alignment.plate->px_from_plate(at, grid.plate);
    return std::pair{proof, alignment.warp->drawing_from_proof(proof)};
  };
  auto from = place(0);
  for (int i = 0; i < n; i += step) {
    const auto to = place(i + step);
    const cv::Point2d proof = (to.first - from.first) / step;
    const cv::Point2d drawing = (to.second - from.second) / step;
    for (int k = i; k < std::min(n, i + step); ++k) {
      row.proof[static_cast<std::size_t>(k)] = from.first + proof * (k - i);
      row.drawing[static_cast<std::size_t>(k)] = from.second + drawing * (k - i);
    }
    from = to;
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
    RowMeans of_proof(proof.relative), of_drawing(drawing.relative);
    place_row(above, first, grid, alignment);
    for (int j = first; j < last; ++j) {
      place_row(below, j + 1, grid, alignment);
      of_proof.take(above.proof, below.proof, pair.proof[j]);
      of_drawing.take(above.drawing, below.drawing, pair.drawing[j]);
      for (int i = 0; i < cols; ++i) {
        const std::size_t k = static_cast<std::size_t>(i);
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

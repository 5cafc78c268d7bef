#include "tests/support/grain.h"

#include <algorithm>
#include <array>
#include <cassert>
#include <cmath>
#include <numbers>

#include "tests/support/chance.h"

namespace rebite::maker {
namespace {

constexpr int border = 2;
constexpr float largest = 1.6F;  // of (squared distance - weight); practically never passed
constexpr int bins = 4096;

struct Cell {
  float x, y, weight;
};

Cell cell_at(std::uint64_t seed, int column, int row) {
  const std::uint64_t bits = mix(seed, std::int64_t{column}, std::int64_t{row});
  const auto part = [bits](int shift) {
    return static_cast<float>((bits >> shift) & 0x1fffff) * (1.0F / 2097152.0F);
  };
  // Grains differ in size: the weight makes some hold out longer.
  return {static_cast<float>(column) + part(0),
          static_cast<float>(row) + part(21),
          0.22F * (part(42) - 0.5F)};
}

// Distribution of (squared distance - weight) of the nearest grain, over all places of any such
// ground: counted once from a large ground of its own. Rank = 1 - distribution.
class Ranks {
 public:
  Ranks() {
    constexpr int side = 1400;
    std::vector<std::uint32_t> count(bins, 0);
    std::vector<Cell> cells(static_cast<size_t>(side) * side);
    for (int row = 0; row < side; ++row) {
      for (int column = 0; column < side; ++column) {
        cells[index(row, column, side)] = cell_at(0x67726169, column, row);
      }
    }
    for (int row = 1; row + 1 < side; ++row) {
      for (int column = 1; column + 1 < side; ++column) {
        const std::uint64_t bits = mix(0x706c6163, std::int64_t{column}, std::int64_t{row});
        const float x = static_cast<float>(column) + static_cast<float>(unit(bits));
        const float y = static_cast<float>(row) + static_cast<float>(unit(mix(bits)));
        float best = largest;
        for (int r = row - 1; r <= row + 1; ++r) {
          for (int c = column - 1; c <= column + 1; ++c) {
            const Cell& g = cells[index(r, c, side)];
            best = std::min(best, (g.x - x) * (g.x - x) + (g.y - y) * (g.y - y) - g.weight);
          }
        }
        ++count[static_cast<size_t>(place(best))];
      }
    }
    double below = 0;
    const double all = static_cast<double>(side - 2) * (side - 2);
    for (size_t i = 0; i < bins; ++i) {
      rank_[i] = static_cast<float>(1.0 - below / all);
      below += count[i];
    }
    rank_[bins] = 0;
  }

  float of(float value) const {
    const float p = std::clamp((value + 0.12F) * scale, 0.F, static_cast<float>(bins) - 0.001F);
    const int i = static_cast<int>(p);
    const float f = p - static_cast<float>(i);
    const auto u = static_cast<size_t>(i);
    return rank_[u] + f * (rank_[u + 1] - rank_[u]);
  }

 private:
  static constexpr float scale = static_cast<float>(bins) / (largest + 0.12F);
  static int place(float value) {
    return std::clamp(static_cast<int>((value + 0.12F) * scale), 0, bins - 1);
  }
  static size_t index(int row, int column, int side) {
    return static_cast<size_t>(row) * static_cast<size_t>(side) + static_cast<size_t>(column);
  }
  std::array<float, bins + 1> rank_;
};

const Ranks& ranks() {
  static const Ranks table;
  return table;
}

}  // namespace

Grain::Grain(std::uint64_t seed, double spacing_mm, SizeMm plate) : spacing_(spacing_mm) {
  assert(spacing_mm > 0.01 && spacing_mm < 2);
  ranks();
  const double turn = static_cast<double>(seed % 7) * 13 * std::numbers::pi / 180;
  const double cosine = std::cos(turn), sine = std::sin(turn);
  const double w = plate.width / spacing_mm, h = plate.height / spacing_mm;
  // u = x cos + y sin, v = -x sin + y cos, shifted so that the plate starts at the border.
  u_x_ = static_cast<float>(cosine / spacing_mm);
  u_y_ = static_cast<float>(sine / spacing_mm);
  u_0_ = static_cast<float>(border);
  v_x_ = static_cast<float>(-sine / spacing_mm);
  v_y_ = static_cast<float>(cosine / spacing_mm);
  v_0_ = static_cast<float>(std::ceil(w * sine) + border);
  columns_ = static_cast<int>(std::ceil(w * cosine + h * sine)) + 2 * border + 1;
  rows_ = static_cast<int>(std::ceil(w * sine) + std::ceil(h * cosine)) + 2 * border + 1;
  centres_.resize(static_cast<size_t>(columns_) * static_cast<size_t>(rows_));
  auto* to = centres_.data();
  for (int r = 0; r < rows_; ++r) {
    for (int c = 0; c < columns_; ++c) {
      const Cell g = cell_at(seed, c, r);
      *to++ = {g.x, g.y, g.weight};
    }
  }
}

float Grain::rank(float x_mm, float y_mm) const {
  const float x = u_x_ * x_mm + u_y_ * y_mm + u_0_;
  const float y = v_x_ * x_mm + v_y_ * y_mm + v_0_;
  const int column = std::clamp(static_cast<int>(x), 1, columns_ - 2);
  const int row = std::clamp(static_cast<int>(y), 1, rows_ - 2);
  float best = largest;
  for (int r = row - 1; r <= row + 1; ++r) {
    const Centre* g = centres_.data() + r * columns_ + column - 1;
    for (int c = 0; c < 3; ++c) {
      const float dx = g[c].x - x, dy = g[c].y - y;
      best = std::min(best, dx * dx + dy * dy - g[c].weight);
    }
  }
  return ranks().of(best);
}

SoftEdge::SoftEdge(double softness)
    : softness_(static_cast<float>(std::clamp(softness, 0.02, 1.0))), inverse_(1.F / softness_) {}

float SoftEdge::threshold(float a) const {
  // Mean of clamp((t - r)/w + 1/2) over r in 0..1 is t in the middle and a parabola within w/2 of
  // the ends; solved for t.
  const float half = 0.5F * softness_;
  if (a <= 0.F) return -half;
  if (a >= 1.F) return 1.F + half;
  if (a < half) return std::sqrt(2.F * softness_ * a) - half;
  if (a > 1.F - half) return 1.F + half - std::sqrt(2.F * softness_ * (1.F - a));
  return a;
}

}  // namespace rebite::maker

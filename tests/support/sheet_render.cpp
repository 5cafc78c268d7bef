#include "tests/support/sheet_render.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <numbers>
#include <opencv2/core/utility.hpp>
#include <vector>

#include "tests/support/chance.h"

namespace rebite::maker {
namespace {

constexpr int node_px =
    4;  // plate positions are exact at every 4th pixel, linear between:
        // with the shortest wander (45 mm) off by less than 0.0002 mm at 300 dpi
constexpr float bevel_mm = 0.7F;

int splits(double px_per_mm) {
  return std::max(1, static_cast<int>(std::ceil(1 / (px_per_mm * 0.0424) - 1e-6)));
}

// Plate position and wiping at the nodes of a coarse grid over the scan.
struct Nodes {
  int columns = 0, rows = 0;
  std::vector<float> x, y, wiping;
  size_t index(int row, int column) const {
    return static_cast<size_t>(row) * static_cast<size_t>(columns) + static_cast<size_t>(column);
  }
};

Nodes make_nodes(const ToneLayers& tone, SizeMm plate, const SheetPlace& place) {
  Nodes nodes;
  nodes.columns = place.columns() / node_px + 3;
  nodes.rows = place.rows() / node_px + 3;
  const size_t all = static_cast<size_t>(nodes.columns) * static_cast<size_t>(nodes.rows);
  nodes.x.resize(all);
  nodes.y.resize(all);
  nodes.wiping.resize(all);
  cv::parallel_for_({0, nodes.rows}, [&](const cv::Range& range) {
    for (int r = range.start; r < range.end; ++r) {
      for (int c = 0; c < nodes.columns; ++c) {
        // Every node starts from the same guess, so that the answer does not depend on the order.
        const cv::Point2d px{(c - 1.0) * node_px, (r - 1.0) * node_px};
        const cv::Point2d s = place.sheet_from_px(px);
        const PlateMm p =
            place.plate_from_sheet(s, {s.x + plate.width / 2, s.y + plate.height / 2});
        const size_t i = nodes.index(r, c);
        nodes.x[i] = static_cast<float>(p.x);
        nodes.y[i] = static_cast<float>(p.y);
        const bool near = p.x > -3 && p.y > -3 && p.x < plate.width + 3 && p.y < plate.height + 3;
        nodes.wiping[i] = near ? static_cast<float>(tone.wiping(p.x, p.y)) : 1.F;
      }
    }
  });
  return nodes;
}

// One row of samples: nodes interpolated to that height.
struct NodeRow {
  std::vector<float> x, y, wiping;
  void set(const Nodes& nodes, double row_px) {
    const double at = row_px / node_px + 1;
    const int r = std::clamp(static_cast<int>(at), 0, nodes.rows - 2);
    const auto f = static_cast<float>(at - r);
    const auto n = static_cast<size_t>(nodes.columns);
    x.resize(n);
    y.resize(n);
    wiping.resize(n);
    const size_t a = nodes.index(r, 0), b = nodes.index(r + 1, 0);
    for (size_t i = 0; i < n; ++i) {
      x[i] = nodes.x[a + i] + f * (nodes.x[b + i] - nodes.x[a + i]);
      y[i] = nodes.y[a + i] + f * (nodes.y[b + i] - nodes.y[a + i]);
      wiping[i] = nodes.wiping[a + i] + f * (nodes.wiping[b + i] - nodes.wiping[a + i]);
    }
  }
};

SamplePlace place_in(const NodeRow& row, float column_px) {
  const float at = column_px * (1.F / node_px) + 1.F;
  const auto i = static_cast<size_t>(at);
  const float f = at - static_cast<float>(i);
  return {row.x[i] + f * (row.x[i + 1] - row.x[i]),
          row.y[i] + f * (row.y[i + 1] - row.y[i]),
          row.wiping[i] + f * (row.wiping[i + 1] - row.wiping[i])};
}

// Distance inside the plate's edge, negative outside.
float inside_mm(float x, float y, float width, float height) {
  const float dx = std::min(x, width - x), dy = std::min(y, height - y);
  if (dx < 0 && dy < 0) return -std::sqrt(dx * dx + dy * dy);
  return std::min(dx, dy);
}

// The paper's look-through: noise on a lattice over the sheet, linear between; sd about 0.7.
class Fibres {
 public:
  Fibres(std::uint64_t seed, double cell_mm, const SheetPlace& place)
      : per_mm_(static_cast<float>(1 / cell_mm)),
        half_(static_cast<float>(
            std::hypot(place.columns() / place.px_per_mm_x(), place.rows() / place.px_per_mm_y()) /
                2 +
            cell_mm)),
        side_(static_cast<int>(std::ceil(2 * half_ * per_mm_)) + 2),
        noise_(static_cast<size_t>(side_) * static_cast<size_t>(side_)) {
    // Lattice places are counted from the sheet's middle, so that the paper does not change with
    // the size of the scan.
    const auto middle = static_cast<std::int64_t>(std::lround(half_ * per_mm_));
    half_ = static_cast<float>(middle) / per_mm_;
    size_t i = 0;
    for (std::int64_t r = 0; r < side_; ++r) {
      for (std::int64_t c = 0; c < side_; ++c) {
        noise_[i++] = static_cast<float>(1.05 * bell(mix(seed, c - middle, r - middle)));
      }
    }
  }
  float at(cv::Point2d s) const {
    const float most = static_cast<float>(side_) - 1.01F;
    const float u = std::clamp((static_cast<float>(s.x) + half_) * per_mm_, 0.F, most);
    const float v = std::clamp((static_cast<float>(s.y) + half_) * per_mm_, 0.F, most);
    const int i = static_cast<int>(u), j = static_cast<int>(v);
    const float fu = u - static_cast<float>(i), fv = v - static_cast<float>(j);
    const float* a = noise_.data() + static_cast<std::ptrdiff_t>(j) * side_ + i;
    const float top = a[0] + fu * (a[1] - a[0]);
    const float bottom = a[side_] + fu * (a[side_ + 1] - a[side_]);
    return top + fv * (bottom - top);
  }

 private:
  float per_mm_, half_;
  int side_;
  std::vector<float> noise_;
};

class SheetPainter {
 public:
  SheetPainter(const ToneLayers& tone,
               SizeMm plate,
               const Impression& sheet,
               const Scanner& scanner,
               const SheetPlace& place,
               Edge edge)
      : tone_(tone),
        sheet_(sheet),
        scanner_(scanner),
        place_(place),
        edge_(edge),
        width_(static_cast<float>(plate.width)),
        height_(static_cast<float>(plate.height)),
        half_sheet_x_(plate.width * sheet.stretch_x / 2 + sheet.margin_mm),
        half_sheet_y_(plate.height * sheet.stretch_y / 2 + sheet.margin_mm),
        fine_(mix(sheet.seed, 0x70617065), 0.45, place),
        coarse_(mix(sheet.seed, 0x72617065), 1.7, place),
        edge_waves_(mix(sheet.seed, 0x65646765), 7, 40),
        nodes_(make_nodes(tone, plate, place)) {}

  void paint_row(int row, float* out) const {
    const int down = splits(place_.px_per_mm_y()), across = splits(place_.px_per_mm_x());
    // Four samples share what is smooth (tone_layers.h), one by one at the plate's edge.
    const int block = down % 2 == 0 && across % 2 == 0 ? 2 : 1;
    std::fill(out, out + place_.columns(), 0.F);
    NodeRow nodes, upper, lower;
    for (int j = 0; j < down; j += block) {
      upper.set(nodes_, row + (j + 0.5) / down - 0.5);
      if (block == 2) lower.set(nodes_, row + (j + 1.5) / down - 0.5);
      for (int column = 0; column < place_.columns(); ++column) {
        float sum = 0;
        for (int i = 0; i < across; i += block) {
          const float pitch = 1.F / static_cast<float>(across);
          const float at =
              static_cast<float>(column) - 0.5F + (static_cast<float>(i) + 0.5F) * pitch;
          if (block == 1) {
            sum += shown(place_in(upper, at));
            continue;
          }
          const SamplePlace p[4] = {place_in(upper, at),
                                    place_in(upper, at + pitch),
                                    place_in(lower, at),
                                    place_in(lower, at + pitch)};
          const float inside = inside_mm(p[0].x, p[0].y, width_, height_);
          if (inside > 1.2F) {
            sum += 4.F * tone_.at(p, 4);
          } else if (inside < -1.2F && edge_ != Edge::card) {
            sum += 4.F;
          } else {
            sum += shown(p[0]) + shown(p[1]) + shown(p[2]) + shown(p[3]);
          }
        }
        out[column] += sum;
      }
    }
    const float share = 1.F / static_cast<float>(down * across);
    nodes.set(nodes_, row);
    for (int column = 0; column < place_.columns(); ++column) {
      const SamplePlace p = place_in(nodes, static_cast<float>(column));
      out[column] *= share * paper(column, row, p);
    }
  }

 private:
  // Reflectance relative to the paper.
  float shown(const SamplePlace& p) const {
    const float inside = inside_mm(p.x, p.y, width_, height_);
    if (inside < 0 && edge_ != Edge::card) return 1;
    if (edge_ == Edge::pencil_frame && inside < 0.25F) return 0.45F;
    if (edge_ == Edge::plate_mark && inside < bevel_mm) {
      // A bevel is wiped clean; ink stays along its foot, now more, now less.
      const auto along = static_cast<float>(edge_waves_.unit_peak(p.x, p.y));
      const float reach = 0.13F + 0.08F * along;
      const float line = std::clamp((reach - inside) / 0.05F, 0.F, 1.F);
      return tone_.bevel(p.wiping) * (1.F - line * (0.5F + 0.25F * along));
    }
    return tone_.at(&p, 1);
  }

  // Absolute reflectance of the bare sheet there, its emboss and texture in; or the lid.
  float paper(int column, int row, const SamplePlace& p) const {
    const cv::Point2d s =
        place_.sheet_from_px({static_cast<double>(column), static_cast<double>(row)});
    if (scanner_.lid_reflectance > 0) {
      const double beyond = std::max(std::abs(s.x) - half_sheet_x_, std::abs(s.y) - half_sheet_y_);
      if (beyond > 0) {
        return static_cast<float>(scanner_.lid_reflectance * (1 - 0.45 * std::exp(-beyond / 0.5)));
      }
    }
    auto r = static_cast<float>(sheet_.paper_reflectance) * texture(s) * emboss(p);
    return std::min(r, 1.F);
  }

  float texture(cv::Point2d s) const {
    if (sheet_.paper_texture <= 0) return 1;
    return 1.F + static_cast<float>(sheet_.paper_texture) * (fine_.at(s) + coarse_.at(s));
  }

  // The paper slopes down to the plate's edge; the lamp stands at the scan's top, so slopes that
  // face away from it (along the top edge) are darker, those facing it lighter.
  float emboss(const SamplePlace& p) const {
    if (edge_ != Edge::plate_mark) return 1;
    const float inside = inside_mm(p.x, p.y, width_, height_);
    if (inside < -2.5F || inside > bevel_mm) return 1;
    // Outward normal in the plate frame.
    float nx = p.x < 0 ? p.x : (p.x > width_ ? p.x - width_ : 0);
    float ny = p.y < 0 ? p.y : (p.y > height_ ? p.y - height_ : 0);
    if (inside >= 0) {
      const bool vertical = std::min(p.x, width_ - p.x) < std::min(p.y, height_ - p.y);
      nx = vertical ? (p.x < width_ / 2 ? -1.F : 1.F) : 0.F;
      ny = vertical ? 0.F : (p.y < height_ / 2 ? -1.F : 1.F);
    }
    const float length = std::sqrt(nx * nx + ny * ny);
    if (length <= 0) return 1;
    const double turn = scanner_.turn_deg * std::numbers::pi / 180;
    const double mirror = scanner_.mirrored ? -1 : 1;
    const auto down = static_cast<float>((-std::sin(turn) * mirror * static_cast<double>(nx) +
                                          std::cos(turn) * static_cast<double>(ny)) /
                                         static_cast<double>(length));
    const float slope =
        inside < 0 ? static_cast<float>(std::exp(static_cast<double>(inside) / 0.45)) : 0.6F;
    return 1 + slope * (0.075F * down - 0.02F);
  }

  const ToneLayers& tone_;
  const Impression& sheet_;
  const Scanner& scanner_;
  const SheetPlace& place_;
  Edge edge_;
  float width_, height_;
  double half_sheet_x_, half_sheet_y_;
  Fibres fine_, coarse_;
  Waves edge_waves_;
  Nodes nodes_;
};

}  // namespace

double sample_mm(const Scanner& scanner) {
  const double px_per_mm = scanner.dpi / 25.4;
  return 1 / (px_per_mm * splits(px_per_mm));
}

cv::Mat1f sheet_reflectance(const ToneLayers& tone,
                            SizeMm plate,
                            const Impression& sheet,
                            const Scanner& scanner,
                            const SheetPlace& place,
                            Edge edge) {
  const SheetPainter painter(tone, plate, sheet, scanner, place, edge);
  cv::Mat1f out(place.rows(), place.columns());
  cv::parallel_for_({0, out.rows}, [&](const cv::Range& range) {
    for (int row = range.start; row < range.end; ++row) painter.paint_row(row, out.ptr<float>(row));
  });
  return out;
}

cv::Mat1f mean_density(const ToneLayers& tone, SizeMm plate, double px_per_mm, bool with_wiping) {
  const int columns = static_cast<int>(std::lround(plate.width * px_per_mm));
  const int rows = static_cast<int>(std::lround(plate.height * px_per_mm));
  assert(columns > 0 && rows > 0);
  const double dx = plate.width / columns, dy = plate.height / rows;
  cv::Mat1f out(rows, columns);
  cv::parallel_for_({0, rows}, [&](const cv::Range& range) {
    for (int r = range.start; r < range.end; ++r) {
      for (int c = 0; c < columns; ++c) {
        const double w = with_wiping ? tone.wiping((c + 0.5) * dx, (r + 0.5) * dy) : 1.0;
        double sum = 0;
        for (int i = 0; i < 9; ++i) {
          const double x = (c + (i % 3 + 0.5) / 3) * dx, y = (r + (i / 3 + 0.5) / 3) * dy;
          sum += static_cast<double>(
              tone.mean_at(static_cast<float>(x), static_cast<float>(y), static_cast<float>(w)));
        }
        out(r, c) = static_cast<float>(-std::log10(sum / 9));
      }
    }
  });
  return out;
}

}  // namespace rebite::maker

#include "tests/tone/made_pair.h"

#include <algorithm>
#include <cmath>
#include <limits>

#include "tests/support/chance.h"
#include "tests/support/waves.h"

namespace rebite::maker {
namespace {

Impression impression(std::uint64_t seed, const PairSpec& spec, bool drawing) {
  Impression i;
  i.seed = seed;
  i.wiping_density = spec.wiping;
  i.margin_mm = 4;
  i.stretch_x = drawing ? 1.012 : 0.99;
  i.stretch_y = drawing ? 0.998 : 1.004;
  if (drawing) {
    i.plate_tone = spec.plate_tone;
    i.ink_gain = spec.ink_gain;
  }
  return i;
}

Scanner scanner(std::uint64_t seed) {
  Scanner s;
  s.seed = seed;
  s.tone = ScannerTone::linear;
  s.channels = 1;
  s.turn_deg = 0.3;
  return s;
}

align::PlatePair pair_of(const MadeScan& proof,
                         const MadeScan& drawing,
                         SizeMm size,
                         double paper,
                         std::uint64_t seed,
                         const PairSpec& spec) {
  align::PlatePair pair;
  pair.grid.plate = size;
  pair.grid.px_per_mm = spec.px_per_mm;
  pair.proof = into_grid(proof, pair.grid, paper, 0, 0);
  pair.drawing = into_grid(drawing, pair.grid, paper, mix(seed, 0x6572), spec.alignment_sd_mm);
  pair.tile_class = cv::Mat1b(pair.proof.size(), static_cast<uchar>(align::TileClass::held));
  pair.sigma_mm = cv::Mat1f(pair.proof.size(), static_cast<float>(spec.told_sigma_mm));
  return pair;
}

}  // namespace

cv::Mat1f into_grid(const MadeScan& scan,
                    const align::PlateGrid& grid,
                    double paper,
                    std::uint64_t seed,
                    double error_sd_mm) {
  CV_Assert(scan.codes.type() == CV_16UC1);
  const cv::Mat1w codes = scan.codes;
  const Waves wx(mix(seed, 1), 25, 80), wy(mix(seed, 2), 25, 80);
  const int cols = static_cast<int>(std::ceil(grid.plate.width * grid.px_per_mm - 1e-9));
  const int rows = static_cast<int>(std::ceil(grid.plate.height * grid.px_per_mm - 1e-9));
  cv::Mat1f out(rows, cols);
  const int split = std::max(2, static_cast<int>(std::ceil(scan.dpi / 25.4 / grid.px_per_mm)) + 1);
  // Places are exact at every eighth pixel of the grid, linear between.
  const auto place = [&](double x, double y) {
    PlateMm p{x, y};
    if (error_sd_mm > 0) {
      p.x += error_sd_mm * wx.unit_sd(x, y);
      p.y += error_sd_mm * wy.unit_sd(x, y);
    }
    return scan.px_from_plate(p);
  };
  constexpr int node = 8;
  for (int r0 = 0; r0 < rows; r0 += node) {
    for (int c0 = 0; c0 < cols; c0 += node) {
      const double s = grid.px_per_mm;
      const cv::Point2d a = place(c0 / s, r0 / s), b = place((c0 + node) / s, r0 / s);
      const cv::Point2d c = place(c0 / s, (r0 + node) / s);
      const cv::Point2d d = place((c0 + node) / s, (r0 + node) / s);
      for (int r = r0; r < std::min(rows, r0 + node); ++r) {
        for (int q = c0; q < std::min(cols, c0 + node); ++q) {
          double sum = 0, n = 0;
          for (int i = 0; i < split * split; ++i) {
            const double u = (q - c0 + (i % split + 0.5) / split) / node;
            const double v = (r - r0 + (i / split + 0.5) / split) / node;
            const cv::Point2d p = (a * (1 - u) + b * u) * (1 - v) + (c * (1 - u) + d * u) * v;
            const int x = static_cast<int>(std::floor(p.x)), y = static_cast<int>(std::floor(p.y));
            if (x < 0 || y < 0 || x + 1 >= codes.cols || y + 1 >= codes.rows) continue;
            const double fx = p.x - x, fy = p.y - y;
            sum += (codes(y, x) * (1 - fx) + codes(y, x + 1) * fx) * (1 - fy) +
                   (codes(y + 1, x) * (1 - fx) + codes(y + 1, x + 1) * fx) * fy;
            n += 1;
          }
          out(r, q) = n > 0 ? static_cast<float>(sum / n / 65535 / paper)
                            : std::numeric_limits<float>::quiet_NaN();
        }
      }
    }
  }
  return out;
}

align::PlatePair made_pair(const Scene& scene, std::uint64_t seed, const PairSpec& spec) {
  const Impression first = impression(mix(seed, 11), spec, false);
  const Impression second = impression(mix(seed, 12), spec, true);
  const MadeScan proof = print_proof(scene.plate, first, scanner(mix(seed, 13)));
  const MadeScan drawing =
      spec.separate
          ? separate_drawing(scene.plate, scene.wanted_density, {}, second, scanner(mix(seed, 14)))
          : reworked_proof(scene.plate, second, scene.rework, scanner(mix(seed, 14)));
  return pair_of(proof, drawing, scene.plate.size, first.paper_reflectance, seed, spec);
}

align::PlatePair wiping_only_pair(const Plate& plate, std::uint64_t seed, const PairSpec& spec) {
  const Impression first = impression(mix(seed, 11), spec, false);
  const Impression second = impression(mix(seed, 12), spec, true);
  return pair_of(print_proof(plate, first, scanner(mix(seed, 13))),
                 print_proof(plate, second, scanner(mix(seed, 14))),
                 plate.size,
                 first.paper_reflectance,
                 seed,
                 spec);
}

}  // namespace rebite::maker

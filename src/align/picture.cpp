#include "align/picture.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "align/tiles.h"

namespace rebite::align {
namespace {

constexpr int kLegend = 64, kGap = 16;
const cv::Vec3b kPaper(250, 249, 246), kInk(40, 40, 44);

// Proof pixels shown: the tiled area, or the whole scan.
cv::Rect2d shown_area(const Alignment& alignment, cv::Size scan) {
  cv::Rect2d all(0, 0, scan.width, scan.height);
  if (alignment.tiles.empty()) return all;
  const cv::Rect2d &a = alignment.tiles.front().proof_px, &b = alignment.tiles.back().proof_px;
  return cv::Rect2d(a.tl(), b.br()) & all;
}

// Mean reflectance around a place (n x n samples over `side` pixels); paper outside.
double tone_at(const cv::Mat1f& scan, cv::Point2d at, double side) {
  const int n = std::clamp(static_cast<int>(side), 1, 4);
  double sum = 0;
  int used = 0;
  for (int j = 0; j < n; ++j)
    for (int i = 0; i < n; ++i) {
      const double px = at.x + side * ((i + 0.5) / n - 0.5),
                   py = at.y + side * ((j + 0.5) / n - 0.5);
      if (!(px > -0.5 && py > -0.5 && px < scan.cols - 0.5 && py < scan.rows - 0.5)) continue;
      const float v = scan(static_cast<int>(std::lround(py)), static_cast<int>(std::lround(px)));
      if (!(v == v)) continue;
      sum += static_cast<double>(v);
      ++used;
    }
  return used ? std::clamp(sum / used, 0.0, 1.0) : 1.0;
}

// Relative reflectance to a screen value (sRGB, IEC 61966-2-1).
double screen(double r) {
  return r <= 0.0031308 ? 12.92 * r : 1.055 * std::pow(r, 1 / 2.4) - 0.055;
}

cv::Vec3b tinted(double grey, cv::Vec3d tint) {
  cv::Vec3b out;
  for (int k = 0; k < 3; ++k)
    out[k] = static_cast<unsigned char>(std::lround(255 * std::clamp(grey * tint[k], 0.0, 1.0)));
  return out;
}

// Colours that differ in lightness too, for eyes that do not tell red from green; unseen is
// striped.
cv::Vec3d class_tint(TileClass kind, int x, int y) {
  switch (kind) {
    case TileClass::held:
      return {0.72, 0.95, 0.76};
    case TileClass::inferred:
      return {1.0, 0.82, 0.45};
    case TileClass::unseen:
      break;
  }
  return (x + y) / 5 % 2 ? cv::Vec3d(0.85, 0.30, 0.26) : cv::Vec3d(0.98, 0.62, 0.58);
}

void write(cv::Mat3b& on, cv::Point at, const std::string& text) {
  cv::putText(on,
              text,
              at,
              cv::FONT_HERSHEY_SIMPLEX,
              0.5,
              cv::Scalar(kInk[0], kInk[1], kInk[2]),
              1,
              cv::LINE_AA);
}

void swatch(cv::Mat3b& on, cv::Point at, TileClass kind, const std::string& text) {
  for (int y = 0; y < 16; ++y)
    for (int x = 0; x < 26; ++x) on(at.y - 13 + y, at.x + x) = tinted(0.95, class_tint(kind, x, y));
  write(on, at + cv::Point(32, 0), text);
}

}  // namespace

cv::Mat alignment_picture(const scan::DensityImage& proof,
                          const scan::DensityImage& drawing,
                          const Alignment& alignment,
                          int width_px) {
  const cv::Rect2d area = shown_area(alignment, proof.relative.size());
  const int cols = std::max(160, (width_px - kGap) / 2);
  const double step = area.width / cols;  // proof px per picture px
  const int rows = std::clamp(static_cast<int>(std::ceil(area.height / step)), 1, 8 * cols);
  const double per_mm = proof.info.x ? proof.px_per_mm_x() : 300 / 25.4;
  const double square = std::clamp(10 * per_mm, area.width / 40, area.width / 4);
  cv::Mat3b out(rows + kLegend, 2 * cols + kGap, kPaper);
  const TileLookup lookup(alignment.tiles);
  for (int y = 0; y < rows; ++y)
    for (int x = 0; x < cols; ++x) {
      const cv::Point2d at(area.x + (x + 0.5) * step - 0.5, area.y + (y + 0.5) * step - 0.5);
      const double own = tone_at(proof.relative, at, step);
      const bool from_drawing = (static_cast<int>((at.x - area.x) / square) +
                                 static_cast<int>((at.y - area.y) / square)) %
                                    2 !=
                                0;
      if (from_drawing && alignment.warp) {
        const cv::Point2d there = alignment.warp->drawing_from_proof(at);
        out(y, x) = tinted(screen(tone_at(drawing.relative, there, step)), {1.0, 0.93, 0.80});
      } else {
        out(y, x) = tinted(screen(own), {0.97, 0.98, 1.0});
      }
      const Tile* tile = lookup.at(at);
      const TileClass kind = tile ? tile->kind : TileClass::unseen;
      out(y, cols + kGap + x) = tinted(0.35 + 0.65 * screen(own), class_tint(kind, x, y));
    }
  write(out, {8, rows + 24}, "Squares in turn: proof (cool), drawing (warm). Lines must run on.");
  write(out,
        {8, rows + 48},
        fmt::format("{}{}places that agree: {:.0f} %",
                    alignment.mirrored ? "mirrored; " : "",
                    alignment.doubtful ? "DOUBTFUL; " : "",
                    100 * alignment.agreement));
  const int left = cols + kGap + 8;
  swatch(out, {left, rows + 24}, TileClass::held, "held");
  swatch(out, {left + 90, rows + 24}, TileClass::inferred, "inferred");
  swatch(out, {left + 210, rows + 24}, TileClass::unseen, "not seen: keep out");
  if (alignment.error)
    write(out,
          {left, rows + 48},
          fmt::format("estimated error: half below {:.3f} mm, 95 % below {:.3f} mm",
                      alignment.error->median,
                      alignment.error->p95));
  return out;
}

}  // namespace rebite::align

#include "sheets/report_pictures.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "scan/write_scan.h"
#include "sheets/report_text.h"
#include "units/html_text.h"

namespace rebite::sheets {
namespace {

using Colour = cv::Vec3b;  // R, G, B

// Signed gap: ochre = should be lighter, white = within a visible step, blue = should be darker.
// Lightness falls evenly to both sides; blue against ochre stays apart for every common kind of
// colour blindness.
struct Band {
  double upto;
  Colour colour;
  const char* words;
};
const std::array<Band, 8> gap_bands = {{
    {-0.30, {0x8a, 0x4b, 0x00}, "lighter by more than 0.30"},
    {-0.15, {0xc9, 0x7b, 0x1e}, "lighter by 0.15 to 0.30"},
    {-0.05, {0xf0, 0xc2, 0x7b}, "lighter by 0.05 to 0.15"},
    {0.05, {0xff, 0xff, 0xff}, "within 0.05"},
    {0.15, {0xb9, 0xd3, 0xea}, "darker by 0.05 to 0.15"},
    {0.30, {0x72, 0xa5, 0xd0}, "darker by 0.15 to 0.30"},
    {0.60, {0x2f, 0x6d, 0xa8}, "darker by 0.30 to 0.60"},
    {1e9, {0x0d, 0x35, 0x62}, "darker by more than 0.60"},
}};
const Colour unseen = {0xd8, 0xd2, 0xc6};

struct ErrorBand {
  double upto_mm;
  Colour colour;
};
const std::array<ErrorBand, 5> error_bands = {{
    {0.10, {0xf3, 0xf7, 0xf4}},
    {0.20, {0xb4, 0xd5, 0xcb}},
    {0.40, {0x6a, 0xa7, 0x99}},
    {0.80, {0x2b, 0x74, 0x68}},
    {1e9, {0x0a, 0x3d, 0x38}},
}};

std::string hex(Colour c) { return fmt::format("#{:02x}{:02x}{:02x}", c[0], c[1], c[2]); }

template <class Pick>
cv::Mat3b coloured(const cv::Mat1f& field, Pick pick) {
  cv::Mat3b out(field.size());
  for (int y = 0; y < field.rows; ++y)
    for (int x = 0; x < field.cols; ++x)
      out(y, x) = std::isfinite(field(y, x)) ? pick(static_cast<double>(field(y, x))) : unseen;
  return out;
}

// Every n-th value, so that the longest side is at most `longest`: the field is smooth already.
cv::Mat1f thinned(const cv::Mat1f& field, int longest) {
  const int n = std::max(1, (std::max(field.cols, field.rows) + longest - 1) / longest);
  cv::Mat1f out((field.rows + n - 1) / n, (field.cols + n - 1) / n);
  for (int y = 0; y < out.rows; ++y)
    for (int x = 0; x < out.cols; ++x)
      out(y, x) =
          field(std::min(field.rows - 1, y * n + n / 2), std::min(field.cols - 1, x * n + n / 2));
  return out;
}

PictureLevel single(const cv::Mat& picture, double px_per_mm, std::string uri) {
  return {px_per_mm,
          picture.cols,
          picture.rows,
          std::max(picture.cols, picture.rows),
          {std::move(uri)}};
}

PictureLevel field_level(const cv::Mat3b& picture, const SheetContent& c) {
  return single(picture,
                picture.cols / c.plate.width,
                "data:image/png;base64," + base64(scan::png_bytes(picture)));
}

std::string jpeg_uri(const cv::Mat& picture, int quality) {
  return "data:image/jpeg;base64," + base64(scan::jpeg_bytes(picture, quality));
}

cv::Mat1b shrunk(const cv::Mat1b& picture, double factor) {
  if (factor >= 1) return picture;
  cv::Mat1b out;
  cv::resize(picture, out, {}, factor, factor, cv::INTER_AREA);
  return out;
}

PictureLevel overview(const cv::Mat1b& picture, double px_per_mm, const PictureBudget& budget) {
  const double factor =
      std::min(1.0, static_cast<double>(budget.overview_px) / std::max(picture.cols, picture.rows));
  const cv::Mat1b small = shrunk(picture, factor);
  return single(small, px_per_mm * factor, jpeg_uri(small, 80));
}

std::vector<std::string> tiles_of(const cv::Mat1b& picture, int tile, int quality) {
  std::vector<std::string> out;
  for (int y = 0; y < picture.rows; y += tile)
    for (int x = 0; x < picture.cols; x += tile)
      out.push_back(
          jpeg_uri(picture(cv::Rect(
                       x, y, std::min(tile, picture.cols - x), std::min(tile, picture.rows - y))),
                   quality));
  return out;
}

// Full scan detail where the budget allows; else lower quality, then fewer pixels.
std::optional<PictureLevel> detail(const cv::Mat1b& picture,
                                   double px_per_mm,
                                   const PictureBudget& budget,
                                   std::size_t bytes) {
  double factor = 1;
  while (factor * std::max(picture.cols, picture.rows) > 1.15 * budget.overview_px) {
    const cv::Mat1b scaled = shrunk(picture, factor);
    for (const int quality : {82, 70}) {
      auto tiles = tiles_of(scaled, budget.tile, quality);
      std::size_t size = 0;
      for (const auto& t : tiles) size += t.size() * 3 / 4;  // base64 to bytes
      if (size <= bytes)
        return PictureLevel{
            px_per_mm * factor, scaled.cols, scaled.rows, budget.tile, std::move(tiles)};
    }
    factor *= 0.8;
  }
  return std::nullopt;
}

PictureLayer photo(const char* id,
                   const char* name,
                   const char* about,
                   const cv::Mat1b& picture,
                   const SheetContent& c,
                   const PictureBudget& budget) {
  PictureLayer layer{id, name, about, {}};
  layer.levels.push_back(overview(picture, c.picture_px_per_mm, budget));
  if (auto fine = detail(picture, c.picture_px_per_mm, budget, budget.detail_bytes / 3))
    layer.levels.push_back(std::move(*fine));
  return layer;
}

}  // namespace

std::vector<PictureLayer> picture_layers(const SheetContent& c, const PictureBudget& budget) {
  std::vector<PictureLayer> out;
  if (!c.proof_picture.empty())
    out.push_back(
        photo("proof", "Proof", "the plate as it prints now", c.proof_picture, c, budget));
  if (!c.drawing_picture.empty())
    out.push_back(photo("drawing", "Drawing", "what is wanted", c.drawing_picture, c, budget));
  if (!c.next_proof_picture.empty())
    out.push_back(photo("next",
                        "Next proof",
                        "what this plan should print, with the hand work done",
                        c.next_proof_picture,
                        c,
                        budget));
  if (!c.map.gap.empty()) {
    const cv::Mat3b picture = coloured(thinned(c.map.gap, 1200), [](double gap) {
      for (const auto& b : gap_bands)
        if (gap < b.upto) return b.colour;
      return gap_bands.back().colour;
    });
    out.push_back({"gap", "Gap", "drawing minus proof", {field_level(picture, c)}});
  }
  if (!c.alignment_sigma_mm.empty()) {
    const cv::Mat3b picture = coloured(thinned(c.alignment_sigma_mm, 600), [](double mm) {
      for (const auto& b : error_bands)
        if (mm < b.upto_mm) return b.colour;
      return error_bands.back().colour;
    });
    out.push_back({"alignment",
                   "Alignment error",
                   "how far proof and drawing may lie apart",
                   {field_level(picture, c)}});
  }
  return out;
}

std::vector<std::pair<std::string, std::string>> gap_legend() {
  std::vector<std::pair<std::string, std::string>> out;
  for (const auto& b : gap_bands) out.emplace_back(hex(b.colour), b.words);
  out.emplace_back(hex(unseen), "not seen");
  return out;
}

std::vector<std::pair<std::string, std::string>> alignment_legend(Units units) {
  std::vector<std::pair<std::string, std::string>> out;
  double from = 0;
  for (const auto& b : error_bands) {
    const std::string upto = fine_length_text(b.upto_mm, units);
    out.emplace_back(hex(b.colour),
                     from == 0         ? "under " + upto
                     : b.upto_mm > 1e6 ? "over " + fine_length_text(from, units)
                                       : fine_length_text(from, units) + " to " + upto);
    from = b.upto_mm;
  }
  out.emplace_back(hex(unseen), "not seen");
  return out;
}

}  // namespace rebite::sheets

#include "tests/align/pair_maker.h"

#include <algorithm>
#include <cmath>
#include <memory>
#include <opencv2/imgproc.hpp>

#include "tests/support/sheet_render.h"
#include "tests/support/tone_layers.h"
#include "tests/support/waves.h"

namespace rebite::align_test {
namespace {

double linear(double code) {  // IEC 61966-2-1
  return code <= 0.04045 ? code / 12.92 : std::pow((code + 0.055) / 1.055, 2.4);
}

// Blobs of opaque paint over about `share` of the plate, of a tone of their own.
void paint_over(maker::Scene& scene, double share, std::uint64_t seed) {
  cv::Mat1f& alpha = scene.rework.opaque_alpha;
  cv::Mat1f& paint = scene.rework.opaque_density;
  const maker::Waves blobs(seed * 77 + 5, 30, 70), tone(seed * 77 + 6, 25, 60);
  cv::Mat1f height(alpha.size());
  const double px = alpha.cols / scene.plate.size.width;
  for (int r = 0; r < alpha.rows; ++r)
    for (int c = 0; c < alpha.cols; ++c)
      height(r, c) = static_cast<float>(blobs.unit_sd(c / px, r / px));
  std::vector<float> sorted(height.begin(), height.end());
  const auto at = static_cast<std::ptrdiff_t>((1 - share) * static_cast<double>(sorted.size() - 1));
  std::nth_element(sorted.begin(), sorted.begin() + at, sorted.end());
  const float level = sorted[static_cast<std::size_t>(at)];
  for (int r = 0; r < alpha.rows; ++r)
    for (int c = 0; c < alpha.cols; ++c)
      if (height(r, c) > level) {
        alpha(r, c) = 1;
        // Steps of tone, as painted areas are.
        paint(r, c) =
            static_cast<float>(0.1 + 0.25 * std::floor(2 + 1.5 * tone.unit_sd(c / px, r / px)));
        paint(r, c) = std::clamp(paint(r, c), 0.0F, 1.3F);
      }
}

void paint_left_half(maker::Scene& scene) {
  cv::Mat1f& alpha = scene.rework.opaque_alpha;
  const cv::Rect left(0, 0, alpha.cols / 2, alpha.rows);
  alpha(left) = 1.0F;
  scene.rework.opaque_density(left) = 0.15F;
  scene.rework.wash_density(left) = 0.0F;
}

// The scan seen through `map` (from its pixels to the new picture's), light times `light`.
void look_again(scan::DensityImage& image,
                std::function<cv::Point2d(PlateMm)>& px_from_plate,
                const cv::Matx33d& map,
                cv::Size size,
                bool uneven) {
  cv::Mat1f seen;
  cv::warpPerspective(
      image.relative, seen, map, size, cv::INTER_CUBIC, cv::BORDER_CONSTANT, cv::Scalar(1));
  for (int y = 0; uneven && y < seen.rows; ++y)
    for (int x = 0; x < seen.cols; ++x)
      seen(y, x) *= static_cast<float>(1 - 0.33 * (x + y) / (seen.cols + seen.rows));
  image.relative = seen;
  image.info.width_px = size.width;
  image.info.height_px = size.height;
  px_from_plate = [before = px_from_plate, map](PlateMm at) {
    const cv::Point2d p = before(at);
    const cv::Vec3d q = map * cv::Vec3d(p.x, p.y, 1);
    return cv::Point2d(q[0] / q[2], q[1] / q[2]);
  };
}

void look_again(MadePair& pair, const PairSpec& spec) {
  const cv::Size size = pair.drawing.relative.size();
  if (spec.enlarged != 1) {
    const double f = spec.enlarged;
    look_again(pair.drawing,
               pair.drawing_px,
               {f, 0, (f - 1) / 2, 0, f, (f - 1) / 2, 0, 0, 1},
               {cvCeil(size.width * f), cvCeil(size.height * f)},
               false);
  }
  if (spec.photograph) {
    const float w = static_cast<float>(size.width), h = static_cast<float>(size.height);
    const std::vector<cv::Point2f> flat{{0, 0}, {w, 0}, {w, h}, {0, h}};
    const std::vector<cv::Point2f> slanted{
        {0.06F * w, 0.03F * h}, {0.95F * w, 0.0F}, {w, 0.97F * h}, {0.0F, 0.93F * h}};
    look_again(pair.drawing,
               pair.drawing_px,
               cv::Matx33d(cv::getPerspectiveTransform(flat, slanted)),
               size,
               true);
  }
}

// The tones of a drawing that follows the plate's areas, without any line. The scene's own map of
// them has cells of 0.25 mm, and between two cells the plate goes through the minutes, not through
// the tones: its edges lie up to 0.06 mm beside those of a map of tones as coarse as that.
cv::Mat1f drawn_tone(const maker::Scene& scene, SizeMm size) {
  maker::Plate without_lines = scene.plate;
  without_lines.lines.release();
  constexpr double px_per_mm = 16, sample_mm = 0.04;
  return maker::mean_density(
      maker::PrintedPlate(without_lines, {}, &scene.rework, sample_mm), size, px_per_mm, false);
}

// The four longest strokes of the plate's line work.
cv::Mat1f four_strokes(const cv::Mat1f& lines) {
  const cv::Mat1b mask(lines > 0.3);
  cv::Mat labels, stats, centres;
  const int n = cv::connectedComponentsWithStats(mask, labels, stats, centres, 8);
  std::vector<std::pair<int, int>> sizes;
  for (int k = 1; k < n; ++k) sizes.emplace_back(stats.at<int>(k, cv::CC_STAT_AREA), k);
  std::sort(sizes.rbegin(), sizes.rend());
  cv::Mat1f kept(lines.size(), 0.0F);
  for (std::size_t k = 0; k < std::min<std::size_t>(4, sizes.size()); ++k)
    lines.copyTo(kept, labels == sizes[k].second);
  return kept;
}

// Every stroke and the borders of the areas, as a draughtsman would line them in.
cv::Mat1f line_drawing(const maker::Scene& scene) {
  const cv::Mat1f& lines = scene.plate.lines;
  cv::Mat1f drawn = lines.clone();
  const double fx = static_cast<double>(scene.labels.cols) / lines.cols;
  const double fy = static_cast<double>(scene.labels.rows) / lines.rows;
  cv::Mat1b border(lines.size(), static_cast<unsigned char>(0));
  for (int r = 1; r < lines.rows; ++r)
    for (int c = 1; c < lines.cols; ++c) {
      const auto label = [&](int y, int x) {
        return scene.labels(std::min(scene.labels.rows - 1, static_cast<int>((y + 0.5) * fy)),
                            std::min(scene.labels.cols - 1, static_cast<int>((x + 0.5) * fx)));
      };
      // The border runs between two pixels: one on either side of it, or the line would lie beside.
      if (label(r, c) != label(r, c - 1)) border(r, c) = border(r, c - 1) = 255;
      if (label(r, c) != label(r - 1, c)) border(r, c) = border(r - 1, c) = 255;
    }
  drawn.setTo(1.0F, border);
  return drawn;
}

// Of the whole plate, as it was printed and painted over.
std::function<bool(PlateMm)> where_grain_shows(const maker::Scene& scene, SizeMm size) {
  const auto minutes = std::make_shared<maker::PlateMap>(scene.plate.bites[0].minutes, size, 0.F);
  const auto paint = std::make_shared<maker::PlateMap>(scene.rework.opaque_alpha, size, 0.F);
  return [minutes, paint](PlateMm p) {
    const auto x = static_cast<float>(p.x), y = static_cast<float>(p.y);
    return minutes->at(x, y) > 0.01F && paint->at(x, y) < 0.95F;
  };
}

double tag_of(double tag, double dpi) { return tag < 0 ? dpi : tag; }

}  // namespace

scan::DensityImage as_read(const maker::MadeScan& made, double paper, const std::string& name) {
  scan::DensityImage image;
  const int channels = made.codes.channels();
  cv::Mat grey = made.codes;
  if (channels > 1) cv::extractChannel(made.codes, grey, 1);
  const bool deep = grey.depth() == CV_16U;
  std::vector<float> table(deep ? 65536 : 256);
  for (std::size_t k = 0; k < table.size(); ++k)
    table[k] = static_cast<float>(
        linear(static_cast<double>(k) / static_cast<double>(table.size() - 1)) / paper);
  image.relative.create(grey.size());
  for (int y = 0; y < grey.rows; ++y)
    for (int x = 0; x < grey.cols; ++x)
      image.relative(y, x) =
          table[deep ? grey.at<std::uint16_t>(y, x) : grey.at<std::uint8_t>(y, x)];
  image.info.file = name;
  image.info.width_px = grey.cols;
  image.info.height_px = grey.rows;
  image.info.bits = deep ? 16 : 8;
  image.info.channels = channels;
  if (made.dpi > 0) {
    image.info.x = PxPerMm::of_dpi(made.dpi);
    image.info.y = PxPerMm::of_dpi(made.dpi_y > 0 ? made.dpi_y : made.dpi);
  }
  return image;
}

MadePair make_pair(const PairSpec& spec) {
  maker::Scene scene = maker::make_scene(spec.seed, spec.size, spec.etched_strokes);
  if (!spec.bare_metal) {
    cv::Mat1f& minutes = scene.plate.bites[0].minutes;
    minutes = cv::max(minutes, 0.25F);
  }
  maker::Impression first, second;
  first.seed = spec.seed * 2 + 1;
  second.seed = spec.seed * 2 + 2;
  for (maker::Impression* sheet : {&first, &second}) {
    sheet->wander_mm = spec.wander_mm;
    sheet->plate_mark = spec.plate_mark;
  }
  first.stretch_x = 1.004;
  first.stretch_y = 1.017;
  second.stretch_x = 1.002;
  second.stretch_y = 1.009;
  second.ink_gain = 1.05;
  second.grain_ink_error = spec.ink_error;
  maker::Scanner a, b;
  a.seed = spec.seed * 3 + 1;
  b.seed = spec.seed * 3 + 2;
  a.channels = b.channels = 1;
  a.bits = b.bits = spec.bits;
  a.dpi = spec.proof_dpi;
  b.dpi = spec.drawing_dpi;
  a.turn_deg = spec.proof_turn;
  b.turn_deg = spec.drawing_turn;
  b.mirrored = spec.mirrored;
  a.crop_mm = spec.proof_crop;
  b.crop_mm = spec.drawing_crop;
  a.tag_dpi = tag_of(spec.proof_tag, spec.proof_dpi);
  b.tag_dpi = tag_of(spec.drawing_tag, spec.drawing_dpi);
  b.lid_reflectance = spec.lid;
  a.uneven_light = b.uneven_light = 0.02;

  const maker::MadeScan proof = maker::print_proof(scene.plate, first, a);
  maker::MadeScan drawing;
  switch (spec.kind) {
    case DrawingKind::opaque:
      paint_over(scene, spec.opaque_share, spec.seed);
      [[fallthrough]];
    case DrawingKind::reworked:
      if (spec.half_flat) paint_left_half(scene);
      drawing = maker::reworked_proof(scene.plate, second, scene.rework, b);
      break;
    case DrawingKind::separate:
      drawing = maker::separate_drawing(scene.plate,
                                        drawn_tone(scene, spec.size),
                                        spec.contours ? line_drawing(scene) : scene.plate.lines,
                                        second,
                                        b);
      break;
    case DrawingKind::four_lines:
      drawing = maker::separate_drawing(
          scene.plate, drawn_tone(scene, spec.size), four_strokes(scene.plate.lines), second, b);
      break;
  }
  MadePair pair;
  pair.proof = as_read(proof, first.paper_reflectance, "proof.tif");
  pair.drawing = as_read(drawing, second.paper_reflectance, "drawing.tif");
  pair.proof_px = proof.px_from_plate;
  pair.drawing_px = drawing.px_from_plate;
  pair.plate = spec.size;
  const bool drawn = spec.kind == DrawingKind::separate || spec.kind == DrawingKind::four_lines;
  pair.grain_in_both = [](PlateMm) { return false; };
  if (!drawn) pair.grain_in_both = where_grain_shows(scene, spec.size);
  look_again(pair, spec);
  return pair;
}

PairSpec small(std::uint64_t seed) {
  PairSpec spec;
  spec.seed = seed;
  spec.size = {90, 70};
  return spec;
}

std::vector<double> target_errors(const MadePair& pair,
                                  const std::function<cv::Point2d(cv::Point2d)>& map,
                                  double margin,
                                  int across,
                                  std::vector<PlateMm>* places) {
  const double step = (pair.plate.width - 2 * margin) / (across - 1);
  const int down = static_cast<int>((pair.plate.height - 2 * margin) / step) + 1;
  const cv::Point2d a = pair.drawing_px({0, 0}), b = pair.drawing_px({1, 0});
  const double px_per_mm = cv::norm(b - a);
  std::vector<double> errors;
  for (int j = 0; j < down; ++j)
    for (int i = 0; i < across; ++i) {
      const PlateMm at{margin + i * step, margin + j * step};
      const cv::Point2d p = pair.proof_px(at);
      if (p.x < 0 || p.y < 0 || p.x > pair.proof.relative.cols - 1 ||
          p.y > pair.proof.relative.rows - 1)
        continue;
      if (places) places->push_back(at);
      errors.push_back(cv::norm(map(p) - pair.drawing_px(at)) / px_per_mm);
    }
  return errors;
}

std::vector<double> errors_of(const MadePair& pair, const align::Alignment& a) {
  return target_errors(pair, [&](cv::Point2d p) { return a.warp->drawing_from_proof(p); });
}

double quantile(std::vector<double> values, double q) {
  if (values.empty()) return 0;
  const auto k = static_cast<std::ptrdiff_t>(q * static_cast<double>(values.size() - 1) + 0.5);
  std::nth_element(values.begin(), values.begin() + k, values.end());
  return values[static_cast<std::size_t>(k)];
}

}  // namespace rebite::align_test

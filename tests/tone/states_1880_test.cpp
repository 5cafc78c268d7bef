// Two impressions of one finished plate that differ by the printer's tone only: M. Lalanne, A
// Treatise on Etching, transl. S. R. Koehler, Boston 1880, plates I and II (public domain;
// ../shared/data/states-1880). At least 97 % of it must be left alone.
//
// The second impression was inked and wiped very differently: retroussage has darkened the shades by
// 0.1 to 0.5 D, not evenly, the arch and the bushes most. What tells it from a painted sheet is that
// no edge of paint shows anywhere (inking.h, inking_alone).
#include <gtest/gtest.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <vector>

#include "align/align_pair.h"
#include "scan/read_scan.h"
#include "tests/support/outside_data.h"
#include "tone/region_map.h"

namespace rebite::tone {
namespace {

scan::DensityImage read(const std::filesystem::path& file, double dpi) {
  scan::ReadOptions options;
  options.dpi = dpi;
  options.relative_to_paper = false;  // the pictures are cut off at the plate mark: no bare paper
  auto image = scan::read_scan(file, options);
  EXPECT_TRUE(image.has_value()) << image.error().what;
  // Paper: the lightest hundredth.
  std::vector<float> v;
  for (const float r : image->relative) {
    if (std::isfinite(r)) v.push_back(r);
  }
  std::nth_element(v.begin(), v.end() - static_cast<std::ptrdiff_t>(v.size() / 100), v.end());
  image->relative /= static_cast<double>(v[v.size() - v.size() / 100]);
  return *image;
}

double held(const align::PlatePair& pair) {
  const auto map = find_regions(pair, {});
  EXPECT_TRUE(map.has_value()) << map.error().what;
  return 1 - static_cast<double>(cv::countNonZero(map->labels)) /
                 static_cast<double>(map->labels.total());
}

// By the affine map that checks.md E states for this pair (570 patches, RMS 0.285 px).
TEST(States1880, TwoImpressionsOfOnePlateAreNothingToDo) {
  const auto folder = maker::outside_data("states-1880");
  REBITE_NEEDS_OUTSIDE_DATA(folder);
  const scan::DensityImage clean = read(folder / "finished-clean-wiped.jpg", 0);
  const scan::DensityImage tone = read(folder / "finished-more-tone.jpg", 0);
  // As tagged: 399 dpi, 22 x 31 mm.
  {
    align::PlatePair pair;
    const double px_per_mm = clean.px_per_mm_x();
    pair.grid = {{clean.relative.cols / px_per_mm, clean.relative.rows / px_per_mm}, px_per_mm};
    pair.proof = clean.relative;
    pair.drawing = cv::Mat1f(pair.proof.size(), std::numeric_limits<float>::quiet_NaN());
    for (int y = 0; y < pair.proof.rows; ++y) {
      for (int x = 0; x < pair.proof.cols; ++x) {
        const double u = 0.996148 * x + 0.000410 * y - 0.2223;
        const double v = -0.000253 * x + 1.002991 * y - 0.0111;
        const int i = static_cast<int>(std::floor(v)), j = static_cast<int>(std::floor(u));
        if (i < 0 || j < 0 || i + 1 >= tone.relative.rows || j + 1 >= tone.relative.cols) continue;
        const float fy = static_cast<float>(v - i), fx = static_cast<float>(u - j);
        const cv::Mat1f& t = tone.relative;
        pair.drawing(y, x) = (t(i, j) * (1 - fx) + t(i, j + 1) * fx) * (1 - fy) +
                             (t(i + 1, j) * (1 - fx) + t(i + 1, j + 1) * fx) * fy;
      }
    }
    pair.tile_class = cv::Mat1b(pair.proof.size(), static_cast<uchar>(align::TileClass::held));
    pair.sigma_mm = cv::Mat1f(pair.proof.size(), static_cast<float>(0.29 / px_per_mm));
    EXPECT_GE(held(pair), 0.97);
  }
}

// The same by our own alignment.
TEST(States1880, TheSameByOurOwnAlignment) {
  const auto folder = maker::outside_data("states-1880");
  REBITE_NEEDS_OUTSIDE_DATA(folder);
  const scan::DensityImage clean = read(folder / "finished-clean-wiped.jpg", 0);
  const scan::DensityImage tone = read(folder / "finished-more-tone.jpg", 0);
  align::AlignOptions options;
  const double px_per_mm = clean.px_per_mm_x();
  const SizeMm size{clean.relative.cols / px_per_mm, clean.relative.rows / px_per_mm};
  options.plate = size;
  const auto alignment = align::align_pair(clean, tone, options);
  ASSERT_TRUE(alignment.has_value()) << alignment.error().what;
  align::Alignment placed = *alignment;
  if (!placed.plate) placed.plate.emplace();
  // The picture ends at the plate mark: its corners are the picture's.
  const double w = clean.relative.cols - 1.0, h = clean.relative.rows - 1.0;
  placed.plate->corners_px = {cv::Point2d{0, 0}, {w, 0}, {w, h}, {0, h}};
  EXPECT_GE(held(align::to_plate(clean, tone, placed, {size, px_per_mm})), 0.97);
}

}  // namespace
}  // namespace rebite::tone

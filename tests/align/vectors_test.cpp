// The kernels of matching and rendering: against plain sums, and the same bits with all vectors.
#include <gtest/gtest.h>

#include <cmath>
#include <random>

#include "align/area_resample.h"
#include "align/bicubic.h"
#include "align/patch_products.h"
#include "align/spline_field.h"

namespace rebite::align {
namespace {

cv::Mat1f noise(int rows, int cols, unsigned seed) {
  std::mt19937 random(seed);
  std::uniform_real_distribution<float> value(-1, 1);
  cv::Mat1f m(rows, cols);
  for (float& v : m) v = value(random);
  return m;
}

TEST(PatchProducts, AreThePlainSumsAndTheSameWithAnyVectors) {
  for (const int side : {1, 7, 31, 48, 49}) {
    for (const int shifts : {1, 2, 3, 5, 8, 13, 15, 16, 17, 25, 40}) {
      const cv::Mat1f patch = noise(side, side, 1), search = noise(side + 3, side + shifts - 1, 2);
      const PatchProducts wide(patch, search), plain(patch, search, Vectors::plain);
      const auto n = static_cast<std::size_t>(shifts);
      for (const int dy : {0, 3}) {
        std::vector<double> a(n), b(n);
        wide.row(dy, a);
        plain.row(dy, b);
        EXPECT_EQ(a, b) << side << " " << shifts;
        for (int dx = 0; dx < shifts; ++dx) {
          const cv::Mat1f window = search(cv::Rect(dx, dy, side, side));
          EXPECT_NEAR(a[static_cast<std::size_t>(dx)], patch.dot(window), 1e-5 * side * side);
        }
      }
    }
  }
}

// Catmull and Rom's kernel as Keys writes it, with a = -1/2.
double keys(double x) {
  x = std::abs(x);
  if (x >= 2) return 0;
  return x < 1 ? 1.5 * x * x * x - 2.5 * x * x + 1 : -0.5 * x * x * x + 2.5 * x * x - 4 * x + 2;
}

TEST(Bicubic, IsKeysKernelAndTheSameWithAnyVectors) {
  const cv::Mat1f picture = noise(40, 57, 3);
  std::mt19937 random(4);
  std::uniform_real_distribution<float> fraction(0, 1);
  std::uniform_int_distribution<int> column(0, picture.cols - 4), row(0, picture.rows - 4);
  for (const std::size_t n : {1U, 7U, 8U, 9U, 200U}) {
    std::vector<int> first;
    std::vector<float> across, down, wanted;
    for (std::size_t k = 0; k < n; ++k) {
      const int i = column(random), j = row(random);
      first.push_back(j * static_cast<int>(picture.step1()) + i);
      across.push_back(k ? fraction(random) : 0);
      down.push_back(fraction(random));
      double sum = 0;
      for (int b = 0; b < 4; ++b)
        for (int a = 0; a < 4; ++a)
          sum += static_cast<double>(picture(j + b, i + a)) *
                 keys(a - 1 - static_cast<double>(across.back())) *
                 keys(b - 1 - static_cast<double>(down.back()));
      wanted.push_back(static_cast<float>(sum));
    }
    const BicubicPlaces places{first, across, down};
    std::vector<float> wide(n), plain(n);
    bicubic(picture.ptr<float>(), picture.step1(), places, wide);
    bicubic(picture.ptr<float>(), picture.step1(), places, plain, Vectors::plain);
    EXPECT_EQ(wide, plain);
    for (std::size_t k = 0; k < n; ++k) EXPECT_NEAR(wide[k], wanted[k], 2e-6);
  }
}

// From 600 to 300 dpi: the quick way against plain means, with unknown pixels.
TEST(AreaResample, OfWholePairsIsTheMeanOfWhatIsKnown) {
  cv::Mat1f source = noise(21, 37, 6);
  source(3, 5) = source(8, 8) = source(8, 9) = source(9, 8) = std::nanf("");
  const cv::Mat1f half = area_resample(source, 2, 2, 2);
  ASSERT_EQ(half.size(), cv::Size(18, 10));
  for (int j = 0; j < half.rows; ++j)
    for (int i = 0; i < half.cols; ++i) {
      double sum = 0;
      int known = 0;
      for (const float v : cv::Mat1f(source(cv::Rect(2 * i, 2 * j, 2, 2)).clone())) {
        if (std::isnan(v)) continue;
        sum += static_cast<double>(v);
        ++known;
      }
      if (known < 2)
        EXPECT_TRUE(std::isnan(half(j, i))) << i << " " << j;
      else
        EXPECT_NEAR(half(j, i), sum / known, 1e-6) << i << " " << j;
    }
}

TEST(SplineField, ARowIsThePlacesOneByOne) {
  const SplineGrid grid = SplineGrid::over({2, 3, 60, 40}, 9);
  std::vector<cv::Vec2d> coefficients(static_cast<std::size_t>(grid.size()));
  const cv::Mat1f value = noise(grid.size(), 2, 5);
  for (int k = 0; k < grid.size(); ++k)
    coefficients[static_cast<std::size_t>(k)] = {value(k, 0), value(k, 1)};
  const SplineField field(grid, coefficients);
  std::vector<cv::Vec2d> row(700, cv::Vec2d(1, 2));
  field.add_row(-1, 0.1, 17, 700, row.data());  // from before the grid to past its end
  for (int k = 0; k < 700; ++k) {
    const cv::Vec2d e =
        row[static_cast<std::size_t>(k)] - cv::Vec2d(1, 2) - field.at({-1 + 0.1 * k, 17});
    EXPECT_LT(cv::norm(e), 1e-12) << k;
  }
}

}  // namespace
}  // namespace rebite::align

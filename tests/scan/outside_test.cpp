// Checks against values and files from outside the project; the source stands beside each.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cctype>
#include <cmath>
#include <fstream>
#include <vector>

#include "scan/load.h"
#include "scan/monotone.h"
#include "scan/read_scan.h"
#include "scan/tone_table.h"
#include "tests/support/outside_data.h"
#include "units/density.h"

namespace rebite::scan {
namespace {

// A1: dcmtk 3.6.7 scanner.lut (OD) and camera.lut (luminance); L = La + L0 10^-D with L0 2000,
// La 10 (DICOM PS3.14, section 7.2).
TEST(Densitometry, A1DensityIsMinusLogOfReflectance) {
  const double rows[][2] = {{3.10, 11.588656},
                            {2.46, 16.934737},
                            {2.17, 23.521660},
                            {1.94, 32.963072},
                            {1.74, 46.394017},
                            {1.59, 61.407916},
                            {1.44, 82.615611},
                            {1.30, 110.237447},
                            {1.15, 151.589157},
                            {1.02, 200.998517},
                            {0.90, 261.785082},
                            {0.76, 357.560166},
                            {0.62, 489.766584},
                            {0.49, 657.187314},
                            {0.37, 863.159038},
                            {0.24, 1160.879875}};
  for (const auto& r : rows) {
    EXPECT_NEAR(Density::of_reflectance((r[1] - 10) / 2000).value(), r[0], 1e-6);
  }
}

// A2: US Navy advanced photography course (dofmaster.com copy): T 0.50 is D 0.30, T 0.20 D 0.699.
TEST(Densitometry, A2Handbook) {
  EXPECT_NEAR(Density::of_reflectance(0.5).value(), 0.30, 0.005);
  EXPECT_NEAR(Density::of_reflectance(0.2).value(), 0.699, 0.0005);
}

// A3: neutral row of the 24-patch chart, colour-science/colour (commit 03b537d7, BSD-3).
TEST(Densitometry, A3NeutralRow) {
  const double d[] = {0.05, 0.23, 0.44, 0.70, 1.05, 1.50};
  const double y1976[] = {0.9001, 0.5910, 0.3620, 0.1977, 0.0900, 0.0313};
  const double y2005[] = {0.9131, 0.5894, 0.3632, 0.1915, 0.0883, 0.0311};
  const double lstar[] = {96.539, 81.257, 66.766, 50.867, 35.656, 20.461};
  for (int i = 0; i < 6; ++i) {
    EXPECT_NEAR(Density::of_reflectance(y1976[i]).value(), d[i], 0.005 + 1e-9);
    EXPECT_NEAR(lightness(y2005[i]), lstar[i], 0.02);
  }
}

// A4: IEC 61966-2-1; the value for 0.18 from colour's test_srgb.py.
TEST(Densitometry, A4SrgbBothWays) {
  EXPECT_NEAR(linear_to_srgb(0.18), 0.461356129500442, 1e-12);
  const std::pair<int, double> linear[] = {{1, 0.0003035270},
                                           {10, 0.0030352698},
                                           {11, 0.0033465358},
                                           {64, 0.0512694584},
                                           {118, 0.1811642442},
                                           {128, 0.2158605001},
                                           {188, 0.5028864580},
                                           {254, 0.9911020971},
                                           {255, 1}};
  for (const auto& [code, y] : linear) EXPECT_NEAR(srgb_to_linear(code / 255.0), y, 5e-11);
  const std::pair<double, double> codes[] = {
      {0.30, 187.715}, {1, 89.0435}, {2, 25.4625}, {3, 3.2946}};
  for (const auto& [d, code] : codes) {
    EXPECT_NEAR(255 * linear_to_srgb(std::pow(10, -d)), code, 5e-4);
  }
}

// A5: colour test_lightness.py (CIE 15:2004).
TEST(Densitometry, A5Lightness) {
  EXPECT_NEAR(lightness(0.1219722535), 41.527875844653451, 1e-9);
  EXPECT_NEAR(lightness(0.2304276781), 55.116362849525402, 1e-9);
  EXPECT_NEAR(lightness(0.0615720079), 29.805654680097106, 1e-9);
  EXPECT_NEAR(lightness(0.1219722535 / 0.5), 56.480581732417676, 1e-9);
  EXPECT_NEAR(lightness(0.1219722535 / 0.75), 47.317620274162735, 1e-9);
  EXPECT_NEAR(lightness(0.1219722535 / 0.95), 42.519930728120940, 1e-9);
  EXPECT_NEAR(lightness(216.0 / 24389), 8, 1e-9);
  EXPECT_NEAR(lightness(0.184186518512444), 50, 1e-9);
}

// A6: ISO 5-3 visual weighting as in python-colormath density_standards.py (BSD-3). A flat sheet
// must read its own reflectance whatever the weights, and so must luminance weights of ours.
TEST(Densitometry, A6AFlatSpectrumReadsItself) {
  const double w[] = {0.01,  0.02,  0.08,  0.28,  0.65,  1.23,  2.22,  3.82,   6.58,  10.99,
                      18.88, 32.58, 50.35, 66.83, 80.35, 90.57, 97.50, 100.00, 97.50, 90.36,
                      79.80, 67.14, 53.83, 39.17, 27.10, 17.30, 10.30, 5.61,   3.09,  1.54,
                      0.80,  0.42,  0.22,  0.11,  0.05,  0.03,  0.01,  0.01};
  double sum = 0, seen = 0;
  for (const double v : w) {
    sum += v;
    seen += v * 0.2;
  }
  EXPECT_NEAR(sum, 1057.33, 0.15);  // rounding of the printed values
  EXPECT_NEAR(Density::of_reflectance(seen / sum).value(), -std::log10(0.2), 1e-12);
  EXPECT_NEAR(luminance_weights[0] + luminance_weights[1] + luminance_weights[2], 1, 1e-12);
}

// A7: Murray-Davies; 0.3006 and 0.2812 printed in a 2004 alternative-photography mailing-list post.
TEST(Densitometry, A7MurrayDavies) {
  EXPECT_NEAR(density_of_coverage(0.5, Density::of(3.0)).value(), 0.300596, 1e-6);
  EXPECT_NEAR(density_of_coverage(0.5, Density::of(1.33)).value(), 0.281177, 1e-6);
  EXPECT_NEAR(coverage(Density::of(0.5), Density::of(1.5)), 0.706101, 1e-6);
  EXPECT_NEAR(coverage(Density::of(0.3), Density::of(1.4)), 0.519494, 1e-6);
}

// C1: Fritsch & Carlson's RPN 14 data; slopes and values by SciPy 1.10.1 PchipInterpolator.
TEST(MonotoneCurve, Rpn14) {
  const std::vector<double> x{7.99, 8.09, 8.19, 8.7, 9.2, 10, 12, 15, 20};
  const std::vector<double> f{
      0, 2.76429e-5, 4.37498e-2, 0.169183, 0.469428, 0.943740, 0.998636, 0.999919, 0.999994};
  const double slopes[] = {0,
                           5.525086819e-4,
                           0.3358768346,
                           0.3494491677,
                           0.5969582389,
                           0.06032184552,
                           9.003953828e-4,
                           3.142468363e-5,
                           0};
  const Monotone curve(x, f);
  for (std::size_t i = 0; i < x.size(); ++i) {
    EXPECT_NEAR(curve.slopes()[i], slopes[i], 1e-9 + 1e-8 * slopes[i]);
  }
  const double at[] = {8.04, 8.14, 8.45, 8.95, 9.6, 11, 13.5, 17.5};
  const double value[] = {6.915091477e-6,
                          0.01769716738,
                          0.1065895378,
                          0.303836183,
                          0.7602476393,
                          0.9860433625,
                          0.999603364,
                          0.9999761404};
  for (int i = 0; i < 8; ++i) EXPECT_NEAR(curve.at(at[i]), value[i], 2e-10);
}

// F5: one picture at 8 and 16 bits (libtiff 4.5.0 test/images): v16 / 257 rounds to v8.
TEST(OutsideFiles, SixteenBitTwins) {
  for (const char* name : {"minisblack-1c", "rgb-3c"}) {
    const auto wide = maker::outside_data(std::string("libtiff16/") + name + "-16b.tiff");
    const auto narrow = maker::outside_data(std::string("libtiff16/") + name + "-8b.tiff");
    REBITE_NEEDS_OUTSIDE_DATA(wide);
    const LoadOptions options{.dpi = 300, .way = ToneWay::codes};
    const auto a = load(wide, options), b = load(narrow, options);
    ASSERT_TRUE(a) << a.error().what;
    ASSERT_TRUE(b) << b.error().what;
    ASSERT_EQ(a->values.size(), cv::Size(157, 151));
    EXPECT_EQ(a->info.bits, 16);
    EXPECT_EQ(b->info.bits, 8);
    for (int y = 0; y < 151; ++y) {
      for (int x = 0; x < 157; ++x) {
        ASSERT_LT(std::abs(a->values(y, x) - b->values(y, x)) * 255, 1.0F);
      }
    }
  }
}

// The 8-bit PGM beside it holds the same samples as plain numbers.
TEST(OutsideFiles, EightBitTiffEqualsItsPgm) {
  const auto tiff = maker::outside_data("libtiff16/minisblack-1c-8b.tiff");
  REBITE_NEEDS_OUTSIDE_DATA(tiff);
  std::ifstream pgm(maker::outside_data("libtiff16/minisblack-1c-8b.pgm"), std::ios::binary);
  std::string magic;
  int w = 0, h = 0, top = 0;
  pgm >> magic;
  while ((pgm >> std::ws).peek() == '#') std::getline(pgm, magic.append(" "));
  pgm >> w >> h >> top;
  pgm.get();
  ASSERT_EQ(w, 157);
  ASSERT_EQ(top, 255);
  const auto r = load(tiff, {.dpi = 300, .way = ToneWay::codes});
  ASSERT_TRUE(r);
  for (int y = 0; y < h; ++y) {
    for (int x = 0; x < w; ++x) ASSERT_NEAR(double(r->values(y, x)) * 255, pgm.get(), 1e-3);
  }
}

// The same ramp tagged linear, gamma 1.8, sRGB and untagged (libpng 1.6 test pictures): codes
// equal, densities not.
TEST(OutsideFiles, DifferentlyTaggedRampsGiveDifferentDensities) {
  const auto folder = maker::outside_data("bad-images/libpng_encodings");
  REBITE_NEEDS_OUTSIDE_DATA(folder);
  for (const char* kind : {"gray-16", "gray-8", "rgb-16"}) {
    const LoadOptions tones{.dpi = 300};
    const LoadOptions codes{.dpi = 300, .way = ToneWay::codes};
    const auto path = [&](const char* tag) { return folder / (std::string(kind) + tag + ".png"); };
    const auto linear = load(path("-linear"), tones), gamma = load(path("-1.8"), tones);
    const auto srgb = load(path("-sRGB"), tones), plain = load(path(""), tones);
    ASSERT_TRUE(linear && gamma && srgb && plain);
    EXPECT_EQ(linear->info.tone, ToneSource::file_gamma);
    EXPECT_EQ(plain->info.tone, ToneSource::srgb_assumed);
    const auto same = load(path("-linear"), codes), again = load(path("-sRGB"), codes);
    EXPECT_EQ(cv::norm(same->values, again->values, cv::NORM_INF), 0);
    EXPECT_LT(cv::norm(srgb->values, plain->values, cv::NORM_INF), 1e-6);
    if (std::string(kind) == "rgb-16") {  // coloured, with primaries of its own: only differ
      EXPECT_GT(cv::norm(linear->values, gamma->values, cv::NORM_INF), 0.1);
      EXPECT_GT(cv::norm(linear->values, srgb->values, cv::NORM_INF), 0.1);
      continue;
    }
    // A middle code, 0.2..0.8 of full scale.
    int compared = 0;
    for (int y = 0; y < same->values.rows; ++y) {
      for (int x = 0; x < same->values.cols; ++x) {
        const double code = double(same->values(y, x));
        if (code < 0.2 || code > 0.8) continue;
        ++compared;
        EXPECT_NEAR(double(linear->values(y, x)), code, 2e-3);
        const double d_linear = -std::log10(double(linear->values(y, x)));
        const double d_gamma = -std::log10(double(gamma->values(y, x)));
        const double d_srgb = -std::log10(double(srgb->values(y, x)));
        EXPECT_LT(d_linear + 0.05, d_gamma);
        EXPECT_LT(d_gamma + 0.005, d_srgb);
      }
    }
    EXPECT_GT(compared, 10);
  }
}

std::vector<std::filesystem::path> bad_images() {
  std::vector<std::filesystem::path> files;
  const auto root = maker::outside_data("bad-images");
  if (!std::filesystem::exists(root)) return {std::filesystem::path("missing")};
  for (const auto& entry : std::filesystem::recursive_directory_iterator(root)) {
    if (entry.is_regular_file()) files.push_back(entry.path());
  }
  std::sort(files.begin(), files.end());
  return files;
}

class BadImage : public testing::TestWithParam<std::filesystem::path> {};

// Folder bad-images (sources in its README): no crash; a refusal names the file and what to do.
TEST_P(BadImage, IsReadOrRefusedByName) {
  const auto& file = GetParam();
  REBITE_NEEDS_OUTSIDE_DATA(file);
  const auto r = read_scan(file, {.dpi = 300});
  if (r) {
    EXPECT_EQ(r->relative.cols, r->info.width_px);
    return;
  }
  EXPECT_THAT(r.error().what, testing::HasSubstr(file.filename().string()));
  EXPECT_FALSE(r.error().next.empty());
  EXPECT_TRUE(r.error().kind == ProblemKind::data || r.error().kind == ProblemKind::no_input);
}

INSTANTIATE_TEST_SUITE_P(All, BadImage, testing::ValuesIn(bad_images()), [](const auto& test) {
  std::string name =
      test.param.parent_path().filename().string() + "_" + test.param.filename().string();
  for (char& c : name) {
    if (!std::isalnum(static_cast<unsigned char>(c))) c = '_';
  }
  return name;
});

// PngSuite (W. van Schaik): every x* file must give an error (xcsn0g01 may be a warning).
TEST(OutsideFiles, CorruptPngSuiteIsRefused) {
  const auto folder = maker::outside_data("bad-images/pngsuite_corrupt");
  REBITE_NEEDS_OUTSIDE_DATA(folder);
  for (const auto& entry : std::filesystem::directory_iterator(folder)) {
    EXPECT_FALSE(read_scan(entry.path(), {.dpi = 300})) << entry.path();
  }
  for (const char* name : {"go_png/invalid-crc32.png",
                           "go_png/invalid-noend.png",
                           "go_png/invalid-trunc.png",
                           "go_png/invalid-zlib.png",
                           "go_jpeg/video-001.cmyk.jpeg",
                           "go_jpeg/video-001.progressive.truncated.jpeg",
                           "pillow_tiff/g4_orientation_1.tif"}) {
    EXPECT_FALSE(read_scan(folder / ".." / name, {.dpi = 300})) << name;
  }
  for (const char* name : {"go_jpeg/video-001.jpeg", "go_jpeg/video-005.gray.jpeg"}) {
    EXPECT_TRUE(read_scan(folder / ".." / name, {.dpi = 300})) << name;
  }
}

}  // namespace
}  // namespace rebite::scan

// Where things lie on a made scan, and that the same spec gives the same bytes.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <cstring>
#include <filesystem>
#include <opencv2/core/utility.hpp>
#include <opencv2/imgproc.hpp>

#include "scan/read_scan.h"
#include "tests/support/plate_maker.h"

namespace rebite::maker {
namespace {

bool same_bytes(const cv::Mat& a, const cv::Mat& b) {
  return a.size() == b.size() && a.type() == b.type() &&
         std::memcmp(a.data, b.data, a.total() * a.elemSize()) == 0;
}

Plate dotted_plate(const std::vector<PlateMm>& dots) {
  Plate plate;
  plate.size = {60, 44};
  constexpr double px_per_mm = 20;
  plate.lines = cv::Mat1f(880, 1200, 0.F);
  for (const auto& dot : dots) {
    for (int r = 0; r < plate.lines.rows; ++r) {
      for (int c = 0; c < plate.lines.cols; ++c) {
        const double d = std::hypot((c + 0.5) / px_per_mm - dot.x, (r + 0.5) / px_per_mm - dot.y);
        if (d < 1.2) plate.lines(r, c) = static_cast<float>(std::exp(-d * d / (2 * 0.09)));
      }
    }
  }
  return plate;
}

struct Placing {
  const char* name;
  double turn, stretch_x, stretch_y, wander, dpi, dpi_y;
  bool mirrored;
};

class PxFromPlate : public testing::TestWithParam<Placing> {};

TEST_P(PxFromPlate, IsWhereADotIsDrawn) {
  const auto& p = GetParam();
  const std::vector<PlateMm> dots{{6, 6}, {30.3, 7.7}, {53, 21.1}, {9.9, 38}, {31, 22}};
  const Plate plate = dotted_plate(dots);
  Impression print;
  print.stretch_x = p.stretch_x;
  print.stretch_y = p.stretch_y;
  print.wander_mm = p.wander;
  print.wiping_density = 0;
  print.paper_texture = 0;
  Scanner scanner;
  scanner.tone = ScannerTone::linear;
  scanner.channels = 1;
  scanner.noise = 0;
  scanner.turn_deg = p.turn;
  scanner.mirrored = p.mirrored;
  scanner.dpi = p.dpi;
  scanner.dpi_y = p.dpi_y;
  scanner.crop_mm = 3;
  const MadeScan scan = print_proof(plate, print, scanner);
  const double film = 0.86 * std::pow(10, -0.04) * 65535;
  for (const auto& dot : dots) {
    const cv::Point2d expected = scan.px_from_plate(dot);
    const int reach = static_cast<int>(1.5 * p.dpi / 25.4);
    double sum = 0, x = 0, y = 0;
    for (int r = cvRound(expected.y) - reach; r <= cvRound(expected.y) + reach; ++r) {
      for (int c = cvRound(expected.x) - reach; c <= cvRound(expected.x) + reach; ++c) {
        const double w = std::max(0.0, film - scan.codes.at<std::uint16_t>(r, c) - 60);
        sum += w;
        x += w * c;
        y += w * r;
      }
    }
    ASSERT_GT(sum, 0);
    EXPECT_NEAR(x / sum, expected.x, 0.05) << dot.x << ", " << dot.y;
    EXPECT_NEAR(y / sum, expected.y, 0.05) << dot.x << ", " << dot.y;
  }
}

INSTANTIATE_TEST_SUITE_P(Placings,
                         PxFromPlate,
                         testing::Values(Placing{"plain", 0, 1, 1, 0, 300, 0, false},
                                         Placing{"stretched", 0, 1.004, 1.03, 0, 300, 0, false},
                                         Placing{"wandering", 2, 1.01, 1.02, 1.2, 300, 0, false},
                                         Placing{"turned_91", 91, 1, 1.01, 0.5, 300, 0, false},
                                         Placing{"turned_179", 179, 1, 1, 0.5, 600, 0, false},
                                         Placing{"mirrored", -37, 1.01, 1, 0.5, 300, 0, true},
                                         Placing{"coarse", 10, 1, 1, 0.3, 150, 0, false},
                                         Placing{"unequal", 5, 1, 1, 0.3, 300, 200, false}),
                         [](const auto& tested) { return tested.param.name; });

TEST(PxFromPlate, TurnsCounterClockwiseAsSeen) {
  Scanner scanner;
  scanner.dpi = 100;
  scanner.turn_deg = 90;
  const Plate plate = dotted_plate({});
  const MadeScan scan = print_proof(plate, {}, scanner);
  // Counter-clockwise by a quarter: what was at the right is now at the top.
  EXPECT_LT(scan.px_from_plate({60, 22}).y, scan.px_from_plate({0, 22}).y - 200);
  EXPECT_GT(scan.codes.rows, scan.codes.cols);
}

TEST(MadeScan, SameSeedSameBytesOnAnyNumberOfThreads) {
  const Scene scene = make_scene(4, {60, 44});
  Impression print;
  print.wander_mm = 0.4;
  print.grain_ink_error = 0.2;
  Scanner scanner;
  scanner.turn_deg = 3;
  scanner.uneven_light = 0.02;
  const int threads = cv::getNumThreads();
  cv::setNumThreads(1);
  const MadeScan one = reworked_proof(scene.plate, print, scene.rework, scanner);
  cv::setNumThreads(2);
  const MadeScan two = reworked_proof(scene.plate, print, scene.rework, scanner);
  cv::setNumThreads(threads);
  EXPECT_TRUE(same_bytes(one.codes, two.codes));
  EXPECT_TRUE(same_bytes(one.true_density, two.true_density));
  print.seed = 2;
  EXPECT_FALSE(
      same_bytes(one.codes, reworked_proof(scene.plate, print, scene.rework, scanner).codes));
}

TEST(MadeScan, EveryKindOfFileKeepsCodesAndTags) {
  const auto folder = std::filesystem::path(testing::TempDir()) / "rebite_maker";
  std::filesystem::create_directories(folder);
  const Plate plate = dotted_plate({{30, 22}});
  Scanner scanner;
  scanner.dpi = 120;
  for (const int channels : {1, 3}) {
    for (const int bits : {8, 16}) {
      scanner.bits = bits;
      scanner.channels = channels;
      scanner.tag_dpi = -1;
      const MadeScan made = print_proof(plate, {}, scanner);
      EXPECT_EQ(made.dpi, 120);
      for (const char* name : {"a.tif", "a.png", "a.jpg"}) {
        if (bits == 16 && name == std::string("a.jpg")) continue;
        for (const double tag : {120.0, 300.0, 0.0}) {
          MadeScan tagged = made;
          tagged.dpi = tagged.dpi_y = tag;
          const auto file = folder / name;
          write_scan(tagged, file.string());
          const auto info = scan::read_scan_info(file);
          ASSERT_TRUE(info.has_value()) << info.error().what;
          EXPECT_EQ(info->width_px, made.codes.cols);
          EXPECT_EQ(info->height_px, made.codes.rows);
          EXPECT_EQ(info->bits, bits);
          EXPECT_EQ(info->channels, channels);
          EXPECT_EQ(info->x.has_value(), tag != 0) << name;
          EXPECT_NEAR(info->x ? info->x->dpi() : 0, tag, 0.02) << name;
        }
      }
    }
  }
  scanner.tag_dpi = 0;
  EXPECT_EQ(print_proof(plate, {}, scanner).dpi, 0);
  std::filesystem::remove_all(folder);
}

TEST(PlateMark, ShowsAnInkLineAndAShadowThatTheTurnFlips) {
  Plate plate;
  plate.size = {40, 30};
  Impression print;
  print.paper_texture = 0;
  Scanner scanner;
  scanner.tone = ScannerTone::linear;
  scanner.channels = 1;
  scanner.noise = 0;
  for (const double turn : {0.0, 180.0}) {
    scanner.turn_deg = turn;
    const MadeScan scan = print_proof(plate, print, scanner);
    const auto code = [&](PlateMm at) {
      const cv::Point2d px = scan.px_from_plate(at);
      return scan.codes.at<std::uint16_t>(cvRound(px.y), cvRound(px.x)) / 65535.0;
    };
    double line = 1;
    for (double d = 0; d < 0.3; d += 0.02) line = std::min(line, code({20, d}));
    EXPECT_LT(line, 0.8 * 0.86) << "a line of ink at the foot of the bevel";
    const double above = code({20, -0.3}), below = code({20, 30.3}), bare = code({20, -6});
    EXPECT_NEAR(bare, 0.86, 0.002);
    if (turn == 0) {
      EXPECT_LT(above, below - 0.03);
    } else {
      EXPECT_GT(above, below + 0.03);
    }
  }
}

TEST(Lid, ShowsBeyondTheSheet) {
  Plate plate;
  plate.size = {40, 30};
  Impression print;
  print.margin_mm = 8;
  Scanner scanner;
  scanner.turn_deg = 30;
  scanner.channels = 1;
  scanner.tone = ScannerTone::linear;
  scanner.lid_reflectance = 0.5;
  const MadeScan scan = print_proof(plate, print, scanner);
  EXPECT_NEAR(scan.codes.at<std::uint16_t>(3, 3) / 65535.0, 0.5, 0.02);
}

}  // namespace
}  // namespace rebite::maker

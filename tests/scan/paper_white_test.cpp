// Paper white as a smooth field, and means taken in light, on sheets of the plate maker and plain
// made-up ones.
#include "scan/paper_white.h"

#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <opencv2/imgproc.hpp>

#include "scan/density_image.h"
#include "scan/read_scan.h"
#include "scan/scanner_curve.h"
#include "tests/scan/made_files.h"
#include "tests/support/plate_maker.h"

namespace rebite::scan {
namespace {

using made::Folder;

constexpr double px_per_mm = 4;

// A sheet of 190 x 150 mm with a plate of 150 x 110 in the middle, with paper and grain texture.
struct MadeSheet {
  double margin = 20;  // mm; negative: cropped inside the plate
  double paper = 0.86, texture = 0.004;
  double plate_tone = 0.04;         // D of the stopped-out half of the plate
  double dark = 0.9;                // D of the bitten half
  double light_x = 0, light_y = 0;  // relative fall-off, half-wave over the scan
  std::uint64_t seed = 1;

  double light(double u, double v) const {  // u, v 0..1 over the scan
    return 1 + light_x * std::sin(3.0 * (u - 0.4)) + light_y * std::cos(2.6 * v);
  }
  cv::Mat1f make() const {
    const int w = static_cast<int>((150 + 2 * margin) * px_per_mm);
    const int h = static_cast<int>((110 + 2 * margin) * px_per_mm);
    cv::Mat1f m(h, w), grain(h, w);
    cv::RNG rng(seed);
    rng.fill(grain, cv::RNG::NORMAL, 0, 1);
    for (int y = 0; y < h; ++y) {
      for (int x = 0; x < w; ++x) {
        const double mx = x / px_per_mm - margin, my = y / px_per_mm - margin;
        double r = paper * light(double(x) / w, double(y) / h);
        if (mx > 0 && my > 0 && mx < 150 && my < 110) {
          r *= std::pow(10, -plate_tone);
          // Grain: every other cell of 1 px inked, in the right half.
          if (mx > 75) r *= ((x * 7919 + y * 104729) >> 3) % 2 ? 1 : std::pow(10, -dark);
        }
        m(y, x) = static_cast<float>(r * (1 + texture * double(grain(y, x))));
      }
    }
    return m;
  }
  // log10 of found white over true white at the plate's middle and corners: the worst.
  double worst(const PaperWhite& white) const {
    const int w = white.field.width, h = white.field.height;
    double worst = 0;
    for (const double v : {0.2, 0.5, 0.8}) {
      for (const double u : {0.2, 0.35, 0.5, 0.65, 0.8}) {
        const double truth = paper * light(u, v);
        worst = std::max(worst, std::abs(white.field.log_at(u * w, v * h) - std::log10(truth)));
      }
    }
    return worst;
  }
};

TEST(PaperWhiteField, EvenLightIsTheMeanNotTheBrightTail) {
  for (const double texture : {0.001, 0.004, 0.02}) {
    MadeSheet s;
    s.texture = texture;
    const auto white = find_paper_white(s.make(), px_per_mm);
    EXPECT_TRUE(white.margins_seen);
    EXPECT_LT(s.worst(white), 0.001) << texture;
    EXPECT_NEAR(white.paper_share, 1 - 150.0 * 110 / (190 * 150), 0.06);
    EXPECT_LT(white.unevenness, 0.01);
  }
}

TEST(PaperWhiteField, UnevenLightOfEightPerCentIsTakenOut) {
  for (const auto& [lx, ly] :
       {std::pair{0.08, 0.0}, std::pair{0.0, 0.08}, std::pair{0.05, -0.06}}) {
    MadeSheet s;
    s.light_x = lx;
    s.light_y = ly;
    const auto white = find_paper_white(s.make(), px_per_mm);
    EXPECT_LT(s.worst(white), 0.005) << lx << ' ' << ly;
    EXPECT_GT(white.unevenness, 0.05);
    EXPECT_LT(white.residual_sd, 0.003);
  }
}

TEST(PaperWhiteField, PlateToneIsNotPaper) {
  for (const double tone : {0.015, 0.03, 0.05, 0.09}) {
    MadeSheet s;
    s.plate_tone = tone;
    s.light_x = 0.06;
    const auto white = find_paper_white(s.make(), px_per_mm);
    EXPECT_LT(s.worst(white), 0.005) << tone;
  }
}

TEST(PaperWhiteField, TonedPaperShadowPencilAndStains) {
  MadeSheet s;
  s.paper = 0.55;  // toned
  s.light_y = 0.05;
  cv::Mat1f m = s.make();
  // A shadow along the lid's edge, falling off over 6 mm.
  for (int y = 0; y < m.rows; ++y) {
    for (int x = 0; x < 10 * px_per_mm; ++x) {
      m(y, x) *= static_cast<float>(1 - 0.35 * std::exp(-x / px_per_mm / 2.5));
    }
  }
  // Pencil notes in the lower margin, 0.5 mm strokes every 3 mm.
  for (int y = m.rows - 60; y < m.rows - 20; ++y) {
    for (int x = 100; x < 500; x += 12) m(y, x) = m(y, x + 1) = 0.2F;
  }
  // A stain: D 0.05, soft.
  for (int y = 0; y < m.rows; ++y) {
    for (int x = 0; x < m.cols; ++x) {
      const double r = std::hypot(x - 650, y - 30) / 60;
      m(y, x) *= static_cast<float>(std::pow(10, -0.05 * std::exp(-r * r)));
    }
  }
  const auto white = find_paper_white(m, px_per_mm);
  EXPECT_TRUE(white.margins_seen);
  EXPECT_LT(s.worst(white), 0.006);
}

TEST(PaperWhiteField, DeckleEdgeOnADarkLid) {
  MadeSheet s;
  const cv::Mat1f sheet = s.make();
  cv::Mat1f m(sheet.rows + 120, sheet.cols + 120, 0.06F);
  sheet.copyTo(m(cv::Rect(60, 60, sheet.cols, sheet.rows)));
  for (int x = 60; x < sheet.cols + 60; ++x) {  // a ragged upper edge
    const int depth = static_cast<int>(6 + 5 * std::sin(x * 0.13) + 3 * std::sin(x * 0.71));
    for (int y = 60; y < 60 + depth; ++y) m(y, x) = 0.06F;
  }
  const auto white = find_paper_white(m, px_per_mm);
  EXPECT_TRUE(white.margins_seen);
  for (const double u : {0.25, 0.5, 0.75}) {
    EXPECT_NEAR(white.field.log_at(u * m.cols, 0.5 * m.rows), std::log10(s.paper), 0.003);
  }
}

TEST(PaperWhiteField, CroppedInsideThePlateIsANoteAndADoubt) {
  MadeSheet s;
  s.margin = -6;
  s.dark = 1.2;
  const auto white = find_paper_white(s.make(), px_per_mm);
  // The stopped-out half of the plate is all there is: it is taken, and the doubt covers it or says
  // so.
  EXPECT_LT(std::abs(white.field.log_at(100, 100) - std::log10(s.paper)), 0.05);
  EXPECT_GE(white.doubt, 0.009);
  EXPECT_FALSE(white.notes.empty());
}

TEST(PaperWhiteField, NothingButDarkNoiseOrOneTone) {
  cv::Mat1f noise(300, 400);
  cv::RNG(3).fill(noise, cv::RNG::UNIFORM, 0.01, 0.4);
  const auto a = find_paper_white(noise, px_per_mm);
  EXPECT_FALSE(a.margins_seen);
  EXPECT_TRUE(std::isfinite(a.field.at(100, 100)));
  const auto b = find_paper_white(cv::Mat1f(300, 400, 0.5F), px_per_mm);
  EXPECT_NEAR(b.field.at(200, 100), 0.5, 1e-4);
  for (const cv::Size size : {cv::Size(1, 1), cv::Size(3, 200), cv::Size(40, 2)}) {
    const auto c = find_paper_white(cv::Mat1f(size, 0.7F), 12);
    EXPECT_NEAR(c.field.at(0, 0), 0.7, 1e-3);
  }
}

TEST(PaperWhiteField, DividingByTheFieldIsTheFieldEverywhere) {
  MadeSheet s;
  s.light_x = 0.08;
  cv::Mat1f m = s.make();
  const auto white = find_paper_white(m, px_per_mm);
  cv::Mat1f relative = m.clone();
  divide_by(relative, white.field);
  for (int y = 0; y < m.rows; y += 13) {
    for (int x = 0; x < m.cols; x += 7) {
      ASSERT_NEAR(double(relative(y, x)), double(m(y, x)) / white.field.at(x, y), 2e-4);
    }
  }
}

// Whole chain with the plate maker: the same proof under even and uneven light, +-8 %.
TEST(PaperWhiteChain, UnevenLightMovesDensitiesByLessThanAHundredth) {
  const Folder folder;
  maker::Plate plate;
  maker::Bite bite;
  bite.minutes = cv::Mat1f(11, 15);
  for (int y = 0; y < 11; ++y) {
    for (int x = 0; x < 15; ++x) bite.minutes(y, x) = (x / 3) % 2 ? 0.0F : static_cast<float>(x);
  }
  cv::resize(bite.minutes, bite.minutes, {150, 110}, 0, 0, cv::INTER_NEAREST);
  plate.bites = {bite};
  maker::Impression sheet;
  for (const std::uint64_t seed : {11U, 18U}) {  // the worst two of twenty
    maker::Scanner scanner;
    scanner.dpi = 120;
    scanner.channels = 1;
    scanner.seed = seed;
    maker::Scanner uneven = scanner;
    uneven.uneven_light = 0.08;
    const auto a = maker::print_proof(plate, sheet, scanner);
    const auto b = maker::print_proof(plate, sheet, uneven);
    maker::write_scan(a, (folder / "a.tif").string());
    maker::write_scan(b, (folder / "b.tif").string());
    const auto even = read_scan(folder / "a.tif", {}), other = read_scan(folder / "b.tif", {});
    ASSERT_TRUE(even && other);
    EXPECT_LT(even->paper_unevenness, 0.01);
    EXPECT_GT(other->paper_unevenness, 0.04);
    EXPECT_NEAR(even->paper_reflectance, sheet.paper_reflectance, 0.01);
    EXPECT_NEAR(other->paper_reflectance, sheet.paper_reflectance, 0.08);
    for (double y = 5; y < 110; y += 10) {
      for (double x = 5; x < 150; x += 10) {
        const auto c = a.px_from_plate({x, y});
        const cv::Rect where(static_cast<int>(c.x) - 9, static_cast<int>(c.y) - 9, 19, 19);
        EXPECT_NEAR(mean_tone(even->relative, where).density.value(),
                    mean_tone(other->relative, where).density.value(),
                    0.01);
      }
    }
  }
}

TEST(PaperWhiteChain, BlankSheetGivesTheShapeWhereMarginsCannot) {
  const Folder folder;
  maker::Plate plate;  // nothing bitten
  maker::Impression sheet;
  maker::Scanner scanner;
  scanner.dpi = 100;
  scanner.channels = 1;
  scanner.seed = 11;
  scanner.uneven_light = 0.08;
  const auto proof = maker::print_proof(plate, sheet, scanner);
  // A blank sheet: the light alone, with the sheet's texture.
  maker::Plate none;
  none.curve.d0 = 0;
  maker::Impression blank_sheet;
  blank_sheet.plate_mark = false;
  blank_sheet.wiping_density = 0;
  const auto blank = maker::print_proof(none, blank_sheet, scanner);
  maker::write_scan(proof, (folder / "proof.tif").string());
  maker::write_scan(blank, (folder / "blank.tif").string());
  const std::filesystem::path blank_file = folder / "blank.tif";
  const auto r = read_scan(folder / "proof.tif", {.blank = &blank_file});
  ASSERT_TRUE(r) << r.error().what;
  EXPECT_LT(r->paper_residual_sd, 0.004);
  const auto again = read_scan(folder / "blank.tif", {.blank = &blank_file});
  ASSERT_TRUE(again);
  for (int y = 60; y < again->relative.rows - 60; y += 60) {
    for (int x = 60; x < again->relative.cols - 60; x += 60) {
      EXPECT_NEAR(mean_tone(again->relative, {x - 15, y - 15, 30, 30}).density.value(), 0, 0.003);
    }
  }
  const std::filesystem::path proof_file = folder / "proof.tif";
  maker::WedgeSpec wedge;
  wedge.minutes = {0, 1, 2, 4, 8};
  const auto picture = maker::print_wedge(wedge, sheet, scanner);
  maker::write_scan(picture, (folder / "wedge.tif").string());
  const std::filesystem::path wedge_file = folder / "wedge.tif";
  EXPECT_FALSE(read_scan(folder / "proof.tif", {.blank = &wedge_file}));
}

// A sheet smaller than the scan, the lid beyond it lighter than the paper, like it, or dark.
TEST(PaperWhiteChain, LidBeyondTheSheetIsNotPaper) {
  const Folder folder;
  maker::Plate plate;
  plate.size = {90, 60};
  maker::Impression sheet;
  sheet.margin_mm = 14;
  sheet.wiping_density = 0;
  for (const double lid : {0.95, 0.86, 0.08}) {
    maker::Scanner scanner;
    scanner.dpi = 150;
    scanner.channels = 1;
    scanner.lid_reflectance = lid;
    scanner.turn_deg = 2;
    const auto made = maker::print_proof(plate, sheet, scanner);
    // The scan is cut close round the sheet: a platen round it.
    cv::Mat codes;
    const auto corner = made.codes.at<std::uint16_t>(2, 2);
    cv::copyMakeBorder(made.codes, codes, 90, 90, 90, 90, cv::BORDER_CONSTANT, cv::Scalar(corner));
    cv::Mat1w noisy = codes;
    cv::RNG rng(9);
    for (int y = 0; y < noisy.rows; ++y) {
      for (int x = 0; x < noisy.cols; ++x) {
        const bool old = x >= 90 && y >= 90 && x < noisy.cols - 90 && y < noisy.rows - 90;
        if (!old) {
          noisy(y, x) = static_cast<std::uint16_t>(corner * (1 + 0.001 * rng.gaussian(1.0)));
        }
      }
    }
    auto wide = made;
    wide.codes = noisy;
    maker::write_scan(wide, (folder / "lid.tif").string());
    const auto r = read_scan(folder / "lid.tif", {});
    ASSERT_TRUE(r);
    // Bare paper in the margins reads D 0.
    for (const PlateMm at : {PlateMm{45, -7}, PlateMm{-7, 30}, PlateMm{97, 30}, PlateMm{45, 67}}) {
      const auto c = made.px_from_plate(at) + cv::Point2d(90, 90);
      const cv::Rect where(static_cast<int>(c.x) - 8, static_cast<int>(c.y) - 8, 17, 17);
      EXPECT_NEAR(mean_tone(r->relative, where).density.value(), 0, 0.004) << "lid " << lid;
    }
    EXPECT_TRUE(std::isnan(r->relative(20, 20))) << "lid " << lid;
    const auto middle = made.px_from_plate({45, 30}) + cv::Point2d(90, 90);
    EXPECT_FALSE(std::isnan(r->relative(cv::Point(middle))));
  }
}

// A proof on a grey scan, with 15 mm of paper round the plate.
maker::MadeScan grey_proof(const maker::Scanner& scanner) {
  maker::Plate plate;
  plate.size = {80, 40};
  maker::Impression sheet;
  sheet.margin_mm = 15;
  return maker::print_proof(plate, sheet, scanner);
}
maker::Scanner grey_scanner(double dpi) {
  maker::Scanner scanner;
  scanner.dpi = dpi;
  scanner.channels = 1;
  return scanner;
}

// A dark band of the lid along one edge, and the scan's outermost pixels spoilt on the edge across from
// it (as a lamp's first lines are): the paper between them is still the sheet.
TEST(PaperWhiteChain, ADarkBandAtOneEdgeIsNoPaperThoughAnotherEdgeIsSpoilt) {
  const Folder folder;
  const auto clean = grey_proof(grey_scanner(200));
  for (const int turns : {0, 1, 2, 3}) {
    auto made = clean;
    cv::Mat1w codes = clean.codes.clone();
    codes.colRange(codes.cols - 31, codes.cols) *= 0.42;
    codes.colRange(0, 3) *= 0.8;
    made.codes = codes;
    if (turns > 0) cv::rotate(codes, made.codes, turns - 1);
    maker::write_scan(made, (folder / "band.tif").string());
    const auto r = read_scan(folder / "band.tif", {});
    ASSERT_TRUE(r);
    cv::Mat1b seen;
    cv::compare(r->relative, r->relative, seen, cv::CMP_EQ);  // 0 where NaN
    const double share = 1 - cv::countNonZero(seen) / static_cast<double>(seen.total());
    EXPECT_GT(share, 29.0 / codes.cols) << turns;
    EXPECT_LT(share, 60.0 / codes.cols) << turns;
  }
}

// 12- and 14-bit codes stored in 16 bits as they are: as sRGB they would be another picture's darks
// (a wedge read half as dark as it was). A curve measured on such codes reads them.
TEST(PaperWhiteChain, CodesThatLeaveTheTopOfTheScaleUnusedAreRefusedWithoutACurve) {
  const Folder folder;
  const std::vector<double> listed{0.05, 0.2, 0.35, 0.5, 0.7, 0.9, 1.1, 1.3, 1.5};
  const auto made = grey_proof(grey_scanner(150));
  const auto scale = maker::grey_scale(listed, {10, 15}, grey_scanner(150));
  for (const double share : {1 / 16.0, 1 / 4.0}) {
    auto dim = made;
    dim.codes = cv::Mat(made.codes * share);  // (not into the pixels they share)
    maker::write_scan(dim, (folder / "dim.tif").string());
    const auto r = read_scan(folder / "dim.tif", {});
    ASSERT_FALSE(r) << share;
    EXPECT_THAT(r.error().what, testing::HasSubstr("of 65535"));
    auto dim_scale = scale;
    dim_scale.codes = cv::Mat(scale.codes * share);
    maker::write_scan(dim_scale, (folder / "scale.tif").string());
    const auto curve = measure_scanner(folder / "scale.tif", {listed, 0});
    ASSERT_TRUE(curve) << curve.error().what;
    const auto with = read_scan(folder / "dim.tif", {.scanner = &*curve});
    ASSERT_TRUE(with) << with.error().what;
  }
  // Half the light: told.
  auto half = made;
  half.codes = cv::Mat(made.codes * 0.55);
  maker::write_scan(half, (folder / "half.tif").string());
  const auto r = read_scan(folder / "half.tif", {});
  ASSERT_TRUE(r) << r.error().what;
  EXPECT_THAT(r->notes, testing::Contains(testing::HasSubstr("The bare paper reads as")));
}

// Half of the sheet a tenth darker, past a tide line: no paper white serves both halves, and what
// lies at the edge is told for what it may be.
TEST(PaperWhiteChain, AStainAcrossTheSheetIsTold) {
  const Folder folder;
  auto made = grey_proof(grey_scanner(150));
  cv::Mat1w codes = made.codes.clone();
  for (int y = 0; y < codes.rows; ++y) {
    for (int x = 0; x < codes.cols; ++x) {
      const double past = (x - 0.6 * codes.cols) / 15;
      codes(y, x) = cv::saturate_cast<std::uint16_t>(codes(y, x) * (1 - 0.1 / (1 + std::exp(-past))));
    }
  }
  made.codes = codes;
  maker::write_scan(made, (folder / "stain.tif").string());
  const auto r = read_scan(folder / "stain.tif", {});
  ASSERT_TRUE(r);
  EXPECT_THAT(r->notes,
              testing::Contains(testing::AllOf(testing::HasSubstr("lies along the scan's right edge"),
                                               testing::HasSubstr("An even tone 0.1"))));
}

// Design 1: means in reflectance. Half the land inked at D 1.5 is D 0.288 (Murray-Davies); the mean
// of densities says 0.75. On printed, blurred grain the gap shrinks but stays far above the
// tolerance.
TEST(MeanTone, MeansOfDensitiesWouldFail) {
  const Folder folder;
  maker::Plate plate;
  plate.size = {40, 30};
  maker::Bite bite;
  bite.minutes = cv::Mat1f(30, 40, 4.0F);
  plate.bites = {bite};
  maker::Impression sheet;
  sheet.wiping_density = 0;
  maker::Scanner scanner;
  scanner.channels = 1;
  const auto made = maker::print_proof(plate, sheet, scanner);
  maker::write_scan(made, (folder / "p.tif").string());
  const auto r = read_scan(folder / "p.tif", {});
  ASSERT_TRUE(r);
  const auto c = made.px_from_plate({20, 15});
  const cv::Rect where(static_cast<int>(c.x) - 120, static_cast<int>(c.y) - 80, 240, 160);
  const double truth = plate.curve.density(4.0);
  EXPECT_NEAR(mean_tone(r->relative, where).density.value(), truth, 0.01);
  double sum = 0;
  for (int y = where.y; y < where.y + where.height; ++y) {
    for (int x = where.x; x < where.x + where.width; ++x) {
      sum -= std::log10(std::max(double(r->relative(y, x)), 1e-4));
    }
  }
  EXPECT_GT(std::abs(sum / where.area() - truth), 0.05);
}

TEST(MeanTone, StandardErrorCoversTheScatterOfMeans) {
  // Grain of 5 px: means over 48 x 48 px, and what mean_tone says of their error.
  cv::Mat1f coarse(200, 200), fine;
  cv::RNG rng(5);
  rng.fill(coarse, cv::RNG::NORMAL, 0.5, 0.2);
  cv::resize(coarse, fine, {1000, 1000}, 0, 0, cv::INTER_NEAREST);
  double said = 0, sum = 0, squares = 0;
  int n = 0;
  for (int y = 0; y + 48 <= 1000; y += 50) {
    for (int x = 0; x + 48 <= 1000; x += 50) {
      const TonePatch t = mean_tone(fine, {x, y, 48, 48});
      said += t.sd_of_mean * t.sd_of_mean;
      sum += t.density.value();
      squares += t.density.value() * t.density.value();
      ++n;
    }
  }
  const double real = std::sqrt(squares / n - sum / n * (sum / n));
  EXPECT_NEAR(std::sqrt(said / n) / real, 1, 0.15);
}

TEST(MeanTone, NanMasksAndEmptyPlaces) {
  cv::Mat1f m(40, 40, 0.1F);
  m(cv::Rect(0, 0, 20, 40)) = NAN;
  const TonePatch t = mean_tone(m, {0, 0, 40, 40});
  EXPECT_NEAR(t.density.value(), 1, 1e-6);
  EXPECT_EQ(t.pixels, 800);
  EXPECT_TRUE(std::isnan(mean_tone(m, {0, 0, 10, 10}).density.value()));
  EXPECT_TRUE(std::isinf(mean_tone(m, {0, 0, 10, 10}).sd_of_mean));
  EXPECT_TRUE(std::isinf(mean_tone(m, {30, 30, 5, 5}).sd_of_mean));
  EXPECT_TRUE(std::isnan(mean_tone(m, {100, 100, 5, 5}).density.value()));
  cv::Mat1b mask(40, 40, static_cast<unsigned char>(0));
  mask(cv::Rect(25, 5, 10, 20)) = 255;
  EXPECT_EQ(mean_tone(m, {0, 0, 40, 40}, mask).pixels, 200);
}

}  // namespace
}  // namespace rebite::scan

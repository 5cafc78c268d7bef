// Scans as scanners make them, by the commands: every kind is read alike or refused with its reason,
// and what the scanner's settings did is told with what to switch off.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <lcms2.h>

#include <fstream>
#include <nlohmann/json.hpp>
#include <opencv2/imgproc.hpp>

#include "tests/cli/run_rebite.h"
#include "tests/jobs/studio.h"
#include "tests/scan/made_files.h"
#include "tests/scan/made_profiles.h"
#include "tests/support/outside_data.h"

namespace rebite::cli {
namespace {

using Json = nlohmann::json;
using scan::made::JpegLayout;
using scan::made::Picture;
using scan::made::PngLayout;
using scan::made::TiffLayout;
using testing::HasSubstr;
using testing::Not;

class ScanKinds : public ::testing::Test {
 protected:
  std::string file(const std::string& name) const { return (folder / name).string(); }
  // 25 x 20 mm at 300 dpi.
  static Picture picture(int channels = 1, int bits = 16) { return {300, 240, channels, bits}; }
  Said read(const std::string& name, std::vector<std::string> more = {}) const {
    std::vector<std::string> words{"read", file(name), "--at", "12mm,10mm,5", "--json"};
    words.insert(words.end(), more.begin(), more.end());
    return run_rebite(words);
  }
  static Json spots(const Said& said) {
    EXPECT_EQ(said.code, 0) << said.err;
    return said.code == 0 ? Json::parse(said.out).at("spots") : Json();
  }
  static double density(const Said& said) { return spots(said)[0].at("density").get<double>(); }
  jobs::StudioFolder folder;
};

TEST_F(ScanKinds, EveryTiffIsReadAlike) {
  for (const int channels : {1, 3}) {
    for (const int bits : {8, 16}) {
      write_tiff(file("plain.tif"), picture(channels, bits), {});
      const Json wanted = spots(read("plain.tif"));
      int kinds = 0;
      for (const int compression : {1, 5, 8}) {  // none, LZW, deflate
        for (const bool tiles : {false, true}) {
          for (const bool big_endian : {false, true}) {
            TiffLayout l;
            l.compression = compression;
            l.tiles = tiles;
            l.big_endian = big_endian;
            l.big_tiff = kinds++ % 2 == 0;
            write_tiff(file("kind.tif"), picture(channels, bits), l);
            EXPECT_EQ(spots(read("kind.tif")), wanted) << compression << tiles << big_endian;
          }
        }
      }
    }
  }
}

// The same codes with another tag are another tone; a profile, a gamma and the sRGB mark are
// followed in PNG as a profile is in TIFF and JPEG.
TEST_F(ScanKinds, GammaMarkAndProfileAreFollowed) {
  PngLayout plain, linear, marked, profiled;
  linear.gamma = 1;
  marked.srgb = true;
  profiled.icc = scan::made::grey_profile(1.0);
  const std::pair<const char*, PngLayout*> all[] = {{"plain.png", &plain},
                                                    {"linear.png", &linear},
                                                    {"marked.png", &marked},
                                                    {"profiled.png", &profiled}};
  for (const auto& [name, layout] : all) write_png(file(name), picture(), *layout);
  const double srgb = density(read("plain.png"));
  EXPECT_NEAR(density(read("marked.png")), srgb, 1e-6);
  EXPECT_GT(std::fabs(srgb - density(read("linear.png"))), 0.01);
  EXPECT_NEAR(density(read("profiled.png")), density(read("linear.png")), 0.002);
  TiffLayout tiff;
  tiff.icc = profiled.icc;
  write_tiff(file("profiled.tif"), picture(), tiff);
  EXPECT_NEAR(density(read("profiled.tif")), density(read("profiled.png")), 1e-4);
  JpegLayout jpeg;
  write_jpeg(file("plain.jpg"), picture(1, 8), jpeg);
  jpeg.icc = profiled.icc;
  write_jpeg(file("profiled.jpg"), picture(1, 8), jpeg);
  EXPECT_GT(std::fabs(density(read("profiled.jpg")) - density(read("plain.jpg"))), 0.01);
  // Nothing said: sRGB is assumed, and told.
  EXPECT_THAT(read("plain.png").err, HasSubstr("sRGB"));
}

// The ramps of ../shared/data: the same codes, tagged otherwise.
TEST_F(ScanKinds, OutsideRampsDifferByTheirTags) {
  const auto ramps = maker::outside_data("bad-images/libpng_encodings");
  REBITE_NEEDS_OUTSIDE_DATA(ramps);
  const auto read_ramp = [&](const char* tag) {
    const Said said = run_rebite({"read", (ramps / (std::string("gray-16") + tag + ".png")).string(),
                                  "--at", "16,16,1.5", "--dpi", "300", "--json"});
    EXPECT_EQ(said.code, 0) << said.err;
    return said.code == 0 ? Json::parse(said.out).at("spots")[0].at("density").get<double>() : 0;
  };
  EXPECT_NEAR(read_ramp("-sRGB"), read_ramp(""), 1e-6);
  EXPECT_GT(std::fabs(read_ramp("-linear") - read_ramp("-sRGB")), 0.02);
  EXPECT_GT(std::fabs(read_ramp("-linear") - read_ramp("-1.8")), 0.02);
}

TEST_F(ScanKinds, JpegGreyAndColourAreReadAndCmykIsRefused) {
  write_jpeg(file("grey.jpg"), picture(1, 8), {});
  write_jpeg(file("colour.jpg"), picture(3, 8), {});
  EXPECT_EQ(read("grey.jpg").code, 0);
  EXPECT_EQ(read("colour.jpg").code, 0);
  EXPECT_THAT(read("grey.jpg").err, HasSubstr("JPEG is lossy"));
  EXPECT_THAT(read("grey.jpg").err, HasSubstr("Scan to TIFF, 16 bits"));
  JpegLayout inks;
  inks.cmyk = true;
  write_jpeg(file("inks.jpg"), picture(3, 8), inks);
  const Said refused = read("inks.jpg");
  EXPECT_EQ(refused.code, 65);
  EXPECT_THAT(refused.err, HasSubstr("CMYK"));
  EXPECT_TRUE(refused.out.empty());
}

// Orientation 6: the stored rows are the picture's columns, from the right.
TEST_F(ScanKinds, TheOrientationTagIsApplied) {
  TiffLayout stored, turned;
  turned.orientation = 6;
  write_tiff(file("stored.tif"), picture(), stored);
  write_tiff(file("turned.tif"), picture(), turned);
  const Said flat = run_rebite({"read", file("stored.tif"), "--at", "60,100,2", "--json"});
  const Said upright = run_rebite({"read", file("turned.tif"), "--at", "139,60,2", "--json"});
  EXPECT_NEAR(density(flat), density(upright), 0.002);  // the white field may differ by a hair
  EXPECT_NE(run_rebite({"read", file("turned.tif"), "--at", "250,60,2"}).code, 0);
}

TEST_F(ScanKinds, TagsThatContradictTheFileAreTold) {
  TiffLayout grey_in_colour;
  grey_in_colour.icc = scan::made::grey_profile(1.0);
  write_tiff(file("a.tif"), picture(3), grey_in_colour);
  EXPECT_THAT(read("a.tif").err, HasSubstr("contradicts itself"));
  TiffLayout absurd;
  absurd.dpi_x = absurd.dpi_y = 5;
  write_tiff(file("b.tif"), picture(), absurd);
  const Said said = read("b.tif", {"--dpi", "300"});
  EXPECT_EQ(said.code, 0);
  EXPECT_THAT(said.err, HasSubstr("cannot be true and was not used"));
  TiffLayout other;
  write_tiff(file("c.tif"), picture(), other);
  EXPECT_THAT(read("c.tif", {"--dpi", "600"}).err, HasSubstr("the file is followed"));
}

TEST_F(ScanKinds, WithoutResolutionItIsAskedFor) {
  TiffLayout tiff;
  tiff.dpi_x = tiff.dpi_y = 0;
  write_tiff(file("a.tif"), picture(), tiff);
  PngLayout png;
  png.dpi = 0;
  write_png(file("a.png"), picture(), png);
  JpegLayout jpeg;
  jpeg.density_unit = 0;
  write_jpeg(file("a.jpg"), picture(1, 8), jpeg);
  for (const char* name : {"a.tif", "a.png", "a.jpg"}) {
    const Said refused = read(name);
    EXPECT_EQ(refused.code, 65) << name;
    EXPECT_THAT(refused.err, HasSubstr("--dpi")) << name;
    EXPECT_EQ(read(name, {"--dpi", "300"}).code, 0) << name;
  }
}

class ScannedPrints : public ScanKinds {
 protected:
  static maker::Plate plate() {
    maker::Plate p;
    p.size = {50, 36};
    maker::Bite bite;
    bite.minutes = cv::Mat1f(360, 500, 6.F);
    bite.minutes(cv::Rect(0, 0, 500, 120)) = 0.F;  // stopped out: plate tone
    bite.minutes(cv::Rect(0, 240, 500, 120)) = 30.F;
    p.bites = {bite};
    return p;
  }
  static maker::Scanner scanner() {
    maker::Scanner s;
    s.dpi = 200;
    s.channels = 1;
    return s;
  }
  Said read_at(const std::string& name, const maker::MadeScan& made, PlateMm place,
               std::vector<std::string> more = {}) const {
    const cv::Point2d at = made.px_from_plate(place);
    std::vector<std::string> words{
        "read", file(name), "--at", std::to_string(at.x) + "," + std::to_string(at.y) + ",5",
        "--json"};
    words.insert(words.end(), more.begin(), more.end());
    return run_rebite(words);
  }
};

// What the scanner software did, with the share of pixels and what to switch off.
TEST_F(ScannedPrints, SettingsAreToldWithTheirShares) {
  const auto err_of = [&](const maker::MadeScan& made) {
    maker::write_scan(made, file("p.tif"));
    const Said said = run_rebite({"read", file("p.tif"), "--at", "30mm,30mm"});
    EXPECT_EQ(said.code, 0) << said.err;
    return said.err;
  };
  maker::Scanner s = scanner();
  const std::string good = err_of(maker::print_proof(plate(), {}, s));
  for (const char* word : {"clipped", "8 bits", "empty"}) EXPECT_THAT(good, Not(HasSubstr(word)));

  s.exposure = 1.25;
  EXPECT_THAT(err_of(maker::print_proof(plate(), {}, s)),
              testing::ContainsRegex("Highlights are clipped: [0-9.]+ % of the pixels.*Switch off "
                                     "automatic exposure"));
  s.exposure = 1;
  s.bits = 8;
  maker::MadeScan eight = maker::print_proof(plate(), {}, s);
  EXPECT_THAT(err_of(eight), HasSubstr("8 bits per sample"));
  // Automatic contrast: codes stretched after the scan, darks cut off.
  eight.codes.convertTo(eight.codes, -1, 1.35, -90);
  EXPECT_THAT(err_of(eight), testing::ContainsRegex("[0-9]+ % of the codes between the lights and "
                                                    "the darks are empty.*Switch off automatic"));
  EXPECT_THAT(err_of(eight), testing::ContainsRegex("Shadows are clipped: [0-9.]+ % of the pixels"));
}

// Density above the sheet's own paper, with the field's residual; uneven light taken out by it or by
// a blank sheet; toned paper; the plate's zero is a stopped-out wiped area, not the paper.
TEST_F(ScannedPrints, WhiteIsTheBarePaperAndItsResidualIsTold) {
  const maker::Plate p = plate();
  const PlateMm bare{25, 6}, middle{25, 18}, dark{25, 30};
  maker::Impression print;
  print.wiping_density = 0;
  maker::Scanner s = scanner();
  const auto even = maker::print_proof(p, print, s);
  maker::write_scan(even, file("even.tif"));
  const Said first = read_at("even.tif", even, middle);
  const Json paper = Json::parse(first.out).at("paper");
  EXPECT_NEAR(paper.at("reflectance").get<double>(), 0.86, 0.01);
  EXPECT_LT(paper.at("residual_sd").get<double>(), 0.005);
  EXPECT_GT(paper.at("residual_sd").get<double>(), 0);
  EXPECT_NEAR(density(first), p.curve.density(6), 0.02);
  EXPECT_NEAR(density(read_at("even.tif", even, bare)), p.curve.d0, 0.01);  // plate tone, not paper
  EXPECT_NEAR(density(read_at("even.tif", even, dark)), p.curve.density(30), 0.03);
  EXPECT_THAT(run_rebite({"read", file("even.tif"), "--at", "30mm,30mm"}).out,
              HasSubstr("Bare paper: 86 % of white"));

  s.uneven_light = 0.08;
  const auto uneven = maker::print_proof(p, print, s);
  maker::write_scan(uneven, file("uneven.tif"));
  for (const PlateMm& at : {bare, middle, dark}) {
    EXPECT_NEAR(density(read_at("uneven.tif", uneven, at)),
                density(read_at("even.tif", even, at)),
                0.01);
  }
  // A blank sheet on the same platen.
  maker::Plate nothing = p;
  nothing.bites.clear();
  nothing.curve.d0 = 0;
  print.plate_mark = false;
  maker::write_scan(maker::print_proof(nothing, print, s), file("blank.tif"));
  const Said blank = read_at("uneven.tif", uneven, middle, {"--blank", file("blank.tif")});
  EXPECT_NEAR(density(blank), density(first), 0.01);
  EXPECT_THAT(blank.err, HasSubstr("was taken from the blank sheet"));
  EXPECT_EQ(read_at("uneven.tif", uneven, middle, {"--blank", file("even.tif")}).code, 65);

  // Toned paper that ends on the platen, a lid with its shadow beyond, pencil in the margin.
  s.uneven_light = 0;
  print.plate_mark = true;
  print.paper_reflectance = 0.62;
  s.lid_reflectance = 0.95;
  auto toned = maker::print_proof(p, print, s);
  const cv::Point2d below = toned.px_from_plate({10, 43});
  cv::putText(toned.codes, "3/12", below, cv::FONT_HERSHEY_SIMPLEX, 0.8, cv::Scalar(25000), 2);
  maker::write_scan(toned, file("toned.tif"));
  EXPECT_NEAR(density(read_at("toned.tif", toned, middle)), density(first), 0.012);
  EXPECT_NEAR(density(read_at("toned.tif", toned, dark)), p.curve.density(30), 0.03);
}

// A grey scale by the name of a published list, from either end; the curve's picture; and the
// curve of a colour scanner, channel by channel.
TEST_F(ScanKinds, TheScannerIsMeasuredByAPublishedScale) {
  const std::vector<double> published{
      0.05, 0.13, 0.22, 0.32, 0.43, 0.55, 0.69, 0.88, 1.06, 1.31, 1.65};
  maker::Scanner s;
  s.dpi = 120;
  s.channel_tones = {maker::ScannerTone::gamma18, maker::ScannerTone::srgb,
                     maker::ScannerTone::contrasty};
  const std::vector<double> backwards(published.rbegin(), published.rend());
  maker::write_scan(maker::grey_scale(published, {9, 14}, s), file("there.tif"));
  maker::write_scan(maker::grey_scale(backwards, {9, 14}, s), file("back.tif"));
  for (const char* name : {"there", "back"}) {
    const Said said = run_rebite({"scanner", file(std::string(name) + ".tif"), "--densities",
                                  "camera-11", "--out", file(std::string(name) + ".scanner.json"),
                                  "--plot", file(std::string(name) + ".svg")});
    ASSERT_EQ(said.code, 0) << said.err;
    EXPECT_THAT(said.out, HasSubstr("Doubt of each channel's curve: red"));
    std::ifstream in(file(std::string(name) + ".scanner.json"));
    const Json j = Json::parse(in);
    EXPECT_EQ(j.at("version"), 1);
    ASSERT_EQ(j.at("channels").size(), 3U);
    for (const auto& c : j.at("channels")) {
      EXPECT_LT(c.at("residual_sd").get<double>(), 0.01);
      EXPECT_EQ(c.at("patches").size(), published.size());
    }
    EXPECT_GT(std::filesystem::file_size(file(std::string(name) + ".svg")), 10000U);
  }
  // Read with it, the scale shows its own densities; without, it is far off.
  maker::Scanner fresh = s;
  fresh.seed = 9;
  const auto made = maker::grey_scale(published, {9, 14}, fresh);
  maker::write_scan(made, file("fresh.tif"));
  const cv::Point2d light = made.px_from_plate({8 + 4.5, 15}), dark = made.px_from_plate({93.5, 15});
  const auto place = [](cv::Point2d at) {
    return std::to_string(at.x) + "," + std::to_string(at.y) + ",4";
  };
  const auto apart = [&](const std::vector<std::string>& more) {
    std::vector<std::string> words{"read",  file("fresh.tif"), "--at", place(light),
                                   "--at", place(dark),       "--json"};
    words.insert(words.end(), more.begin(), more.end());
    const Json found = spots(run_rebite(words));
    return found[1].at("density").get<double>() - found[0].at("density").get<double>();
  };
  // 8 mm of card, patches of 9 mm: 93.5 mm is the middle of the tenth, D 1.31.
  EXPECT_NEAR(apart({"--scanner", file("back.scanner.json")}), 1.31 - 0.05, 0.006);
  EXPECT_GT(std::fabs(apart({}) - (1.31 - 0.05)), 0.02);
}

}  // namespace
}  // namespace rebite::cli

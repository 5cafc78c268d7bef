// Sheets and scales as a studio has them, walked by the commands: a deckle edge on the open platen,
// stains in the margin, every published grey scale, one print given twice.
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>
#include <nlohmann/json.hpp>
#include <opencv2/core.hpp>

#include "jobs/calibrate.h"
#include "scan/tone_table.h"
#include "tests/cli/run_rebite.h"
#include "tests/jobs/studio.h"

namespace rebite::cli {
namespace {

using Json = nlohmann::json;
using testing::HasSubstr;
using testing::Not;

class SheetKinds : public ::testing::Test {
 protected:
  std::string file(const std::string& name) const { return (folder / name).string(); }
  Json json_of(const std::string& name) const {
    std::ifstream in(folder / name);
    return Json::parse(in);
  }
  static maker::Scanner scanner() {
    maker::Scanner s;
    s.channels = 1;
    s.dpi = 120;
    return s;
  }
  static maker::WedgeSpec wedge() {
    maker::WedgeSpec spec;
    spec.minutes = {0, 1, 2, 4, 8, 16};
    spec.step = {11, 16};
    return spec;
  }
  std::vector<std::string> measure(const std::vector<std::string>& scans) const {
    std::vector<std::string> words{"wedge"};
    for (const auto& s : scans) words.push_back(file(s));
    words.insert(words.end(),
                 {"--times", "0s,1min,2min,4min,8min,16min", "--out", file("b.batch.json")});
    return words;
  }
  std::vector<double> densities_of(const std::string& scan) const {
    const Said said = run_rebite(measure({scan}));
    EXPECT_EQ(said.code, 0) << said.err;
    std::vector<double> out;
    if (said.code != 0) return out;
    const Json batch = json_of("b.batch.json");
    for (const auto& s : batch.at("steps")) out.push_back(s.at("density").get<double>());
    return out;
  }
  jobs::StudioFolder folder;
};

// The light of a pixel times `share`.
void darken(std::uint16_t& code, double share) {
  code = static_cast<std::uint16_t>(
      65535 * scan::linear_to_srgb(share * scan::srgb_to_linear(code / 65535.0)));
}

// The sheet on a dark, open platen with four torn edges: the paper ends anywhere within 2 mm, and
// thins out over its last half millimetre.
cv::Mat1w with_deckle(const cv::Mat1w& sheet, int around) {
  cv::Mat1w m(sheet.rows + 2 * around, sheet.cols + 2 * around);
  const auto lid = static_cast<std::uint16_t>(65535 * scan::linear_to_srgb(0.06));
  m.setTo(lid);
  const auto torn = [](double along) {
    return 5 + 4 * std::sin(along * 0.11) + 2 * std::sin(along * 0.67 + 1);
  };
  for (int y = 0; y < sheet.rows; ++y) {
    for (int x = 0; x < sheet.cols; ++x) {
      const double inside = std::min(std::min(x - torn(y), sheet.cols - 1 - x - torn(y + 300)),
                                     std::min(y - torn(x + 600), sheet.rows - 1 - y - torn(x + 900)));
      if (inside < 0) continue;
      std::uint16_t code = sheet(y, x);
      if (inside < 3) darken(code, 0.4 + 0.2 * inside);
      m(y + around, x + around) = code;
    }
  }
  return m;
}

TEST_F(SheetKinds, ADeckleEdgeAndStainsDoNotMoveTheTones) {
  const auto plain = maker::print_wedge(wedge(), {}, scanner());
  maker::write_scan(plain, file("plain.tif"));
  const std::vector<double> expected = densities_of("plain.tif");
  ASSERT_EQ(expected.size(), 6U);

  maker::MadeScan torn = plain;
  torn.codes = with_deckle(plain.codes, 50);
  maker::write_scan(torn, file("torn.tif"));
  maker::MadeScan stained = plain;
  stained.codes = plain.codes.clone();
  cv::Mat1w codes = stained.codes;
  // Soft brown stains of D 0.05 to 0.12 and 5 to 9 mm, in the margins.
  const double px = 120 / 25.4;
  const double stains[][4] = {{9, 8, 6, 0.12}, {60, 6, 9, 0.05}, {0.97 * codes.cols / px, 25, 5, 0.1}};
  for (const auto& s : stains) {
    for (int y = 0; y < codes.rows; ++y) {
      for (int x = 0; x < codes.cols; ++x) {
        const double r = std::hypot(x / px - s[0], y / px - s[1]) / (s[2] / 2);
        if (r < 3) darken(codes(y, x), std::pow(10, -s[3] * std::exp(-r * r)));
      }
    }
  }
  maker::write_scan(stained, file("stained.tif"));
  for (const char* name : {"torn.tif", "stained.tif"}) {
    const std::vector<double> got = densities_of(name);
    ASSERT_EQ(got.size(), expected.size()) << name;
    for (std::size_t i = 0; i < got.size(); ++i) {
      EXPECT_NEAR(got[i], expected[i], 0.01) << name << ", step " << i;
    }
  }
  // The spot densitometer as well, on the darkest step.
  const cv::Point2d dark = plain.px_from_plate(maker::wedge_step_centres(wedge()).back());
  const auto read = [&](const std::string& name, double off) {
    const Said said = run_rebite(
        {"read", file(name), "--at", fmt::format("{},{},5", dark.x + off, dark.y + off), "--json"});
    EXPECT_EQ(said.code, 0) << said.err;
    return Json::parse(said.out).at("spots")[0].at("density").get<double>();
  };
  EXPECT_NEAR(read("torn.tif", 50), read("plain.tif", 0), 0.01);
  EXPECT_NEAR(read("stained.tif", 0), read("plain.tif", 0), 0.01);
}

// A strip of each published scale, printed, measured by its name and read back patch by patch.
TEST_F(SheetKinds, EveryPublishedScaleIsMeasuredByItsName) {
  const std::vector<std::string> names = jobs::grey_scale_names();
  ASSERT_GE(names.size(), 5U);
  for (const std::string& name : names) {
    const auto list = jobs::grey_scale_densities(name);
    ASSERT_TRUE(list);
    maker::Scanner s = scanner();
    s.tone = maker::ScannerTone::gamma18;
    const auto made = maker::grey_scale(*list, {9, 14}, s);
    maker::write_scan(made, file("strip.tif"));
    const Said said = run_rebite({"scanner", file("strip.tif"), "--densities", name, "--out",
                                  file("s.scanner.json")});
    ASSERT_EQ(said.code, 0) << name << ": " << said.err;
    std::vector<std::string> words{"read", file("strip.tif"), "--scanner", file("s.scanner.json"),
                                   "--json"};
    for (std::size_t i = 0; i < list->size(); ++i) {
      const cv::Point2d at = made.px_from_plate({8 + 9 * (double(i) + 0.5), 15});
      words.insert(words.end(), {"--at", fmt::format("{},{},4", at.x, at.y)});
    }
    const Said read = run_rebite(words);
    ASSERT_EQ(read.code, 0) << name << ": " << read.err;
    const Json spots = Json::parse(read.out).at("spots");
    ASSERT_EQ(spots.size(), list->size());
    // Densities are above the card, so from the first patch on.
    for (std::size_t i = 1; i < list->size(); ++i) {
      const double apart =
          spots[i].at("density").get<double>() - spots[0].at("density").get<double>();
      EXPECT_NEAR(apart, (*list)[i] - list->front(), 0.01) << name << ", D " << (*list)[i];
    }
  }
}

// One patch more on the strip than in the list: the curve was off by a patch and "true to 0.004 D".
TEST_F(SheetKinds, AListOnePatchShortIsRefused) {
  maker::write_scan(
      maker::grey_scale({0.09, 0.17, 0.29, 0.42, 0.57, 0.72, 0.88, 1.04, 1.2}, {9, 14}, scanner()),
      file("strip.tif"));
  const auto say = [&](const std::string& list) {
    return run_rebite(
        {"scanner", file("strip.tif"), "--densities", list, "--out", file("s.scanner.json")});
  };
  const Said few = say("0.09,0.17,0.29,0.42,0.57,0.72,0.88,1.04");
  EXPECT_EQ(few.code, 65) << few.out;
  EXPECT_THAT(few.err, HasSubstr("8 densities are listed but 9 patches were found"));
  EXPECT_FALSE(std::filesystem::exists(folder / "s.scanner.json"));
  const Said whole = say("0.09,0.17,0.29,0.42,0.57,0.72,0.88,1.04,1.2");
  ASSERT_EQ(whole.code, 0) << whole.err;
  // What is said of the residuals is what stands in the table: rms below the largest of them.
  double squares = 0, n = 0;
  const Json curve = json_of("s.scanner.json");
  for (const auto& p : curve.at("patches")) {
    squares += std::pow(p.at("residual").get<double>(), 2);
    ++n;
  }
  const double rms = std::sqrt(squares / n);
  const std::string told = rms < 0.0005 ? "below 0.001 D" : fmt::format("{:.3f} D", rms);
  EXPECT_THAT(whole.out, HasSubstr("9 patches, off the curve by " + told + " (rms)"));
  EXPECT_THAT(whole.out, HasSubstr("Doubt of the curve:"));
}

TEST_F(SheetKinds, APrintGivenTwiceIsNoSecondImpression) {
  maker::Impression print;
  maker::write_scan(maker::print_wedge(wedge(), print, scanner()), file("one.tif"));
  std::filesystem::copy_file(folder / "one.tif", folder / "copy.tif");
  print.seed = 2;
  maker::write_scan(maker::print_wedge(wedge(), print, scanner()), file("two.tif"));
  for (const std::vector<std::string>& scans :
       {std::vector<std::string>{"one.tif", "one.tif"}, {"one.tif", "two.tif", "copy.tif"}}) {
    const Said said = run_rebite(measure(scans));
    EXPECT_EQ(said.code, 64) << said.out;
    EXPECT_THAT(said.err, HasSubstr("Give each print of the wedge once"));
    EXPECT_FALSE(std::filesystem::exists(folder / "b.batch.json"));
  }
  // One print has no spread between prints, two have.
  const Said alone = run_rebite(measure({"one.tif"}));
  ASSERT_EQ(alone.code, 0) << alone.err;
  EXPECT_TRUE(json_of("b.batch.json").at("steps")[1].at("between_sd").is_null());
  const Said both = run_rebite(measure({"one.tif", "two.tif"}));
  ASSERT_EQ(both.code, 0) << both.err;
  const Json step = json_of("b.batch.json").at("steps")[1];
  EXPECT_GT(step.at("between_sd").get<double>(), 0);
  EXPECT_NEAR(step.at("trimmed_mm").get<double>(), 1.5, 0.1);
  // The report's row of that step: density, error, spread of prints, grain, trimmed edge.
  EXPECT_THAT(both.out,
              HasSubstr(fmt::format("{:.3f}  {:.3f}   {:.3f}   {:.3f}   {:.1f}",
                                    step.at("density").get<double>(),
                                    step.at("density_sd").get<double>(),
                                    step.at("between_sd").get<double>(),
                                    step.at("grain_sd").get<double>(),
                                    step.at("trimmed_mm").get<double>())));
  // It still gained at its last step: no end was seen, and that is said.
  EXPECT_THAT(both.out, HasSubstr("no useful end was seen"));
}

// A window over a part of the wedge: three steps were read as nine.
TEST_F(SheetKinds, AWindowOverAPartOfTheWedgeIsRefused) {
  maker::WedgeSpec spec;
  spec.minutes = {0, 0.25, 0.5, 1, 2, 4, 8, 16, 30};
  spec.step = {13, 20};
  const auto made = maker::print_wedge(spec, {}, scanner());
  maker::write_scan(made, file("w.tif"));
  const auto mm = [&](PlateMm at) { return made.px_from_plate(at) * (25.4 / made.dpi); };
  const auto say = [&](double from, double to) {
    const cv::Point2d a = mm({from, 2}), b = mm({to, 30});
    return run_rebite({"wedge", file("w.tif"), "--times", "0s,15s,30s,1min,2min,4min,8min,16min,30min",
                       "--out", file("b.batch.json"), "--window",
                       fmt::format("{:.2f},{:.2f},{:.2f},{:.2f}", a.x, a.y, b.x - a.x, b.y - a.y)});
  };
  // The steps lie from 6 to 123 mm of the plate, the dark ones at the far end.
  for (const auto& [from, to] : {std::pair{2.0, 64.0}, {2.0, 58.0}, {22.0, 80.0}, {2.0, 100.0},
                                 {50.0, 110.0}, {60.0, 128.0}, {45.0, 128.0}, {84.0, 128.0}}) {
    const Said said = say(from, to);
    EXPECT_EQ(said.code, 65) << from << " to " << to << ": " << said.out;
    EXPECT_FALSE(std::filesystem::exists(folder / "b.batch.json"));
  }
  EXPECT_THAT(say(2, 64).err, HasSubstr("it holds only a part of the wedge"));
  EXPECT_EQ(say(1, 128).code, 0);
}

TEST_F(SheetKinds, APlaceOffTheScanIsToldInTheUnitItWasGivenIn) {
  maker::write_scan(maker::print_wedge(wedge(), {}, scanner()), file("w.tif"));
  const Said said = run_rebite({"read", file("w.tif"), "--at", "500mm,20mm"});
  EXPECT_NE(said.code, 0);
  EXPECT_THAT(said.err, HasSubstr("at 500.0, 20.0 mm ("));
}

}  // namespace
}  // namespace rebite::cli

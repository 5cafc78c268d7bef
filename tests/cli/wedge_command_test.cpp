// rebite wedge as a user calls it: what only the command shows.
#include <fmt/format.h>
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <fstream>
#include <nlohmann/json.hpp>

#include "scan/tone_table.h"
#include "tests/cli/run_rebite.h"
#include "tests/cli/small_studio.h"
#include "tests/jobs/studio.h"
#include "tests/support/crossed_plate.h"

namespace rebite::cli {
namespace {

class WedgeCommand : public ::testing::Test {
 protected:
  static maker::Scanner scanner() {
    maker::Scanner s;
    s.channels = 1;
    s.dpi = 120;
    return s;
  }
  std::string file(const std::string& name) const { return (folder / name).string(); }
  nlohmann::json batch() const {
    std::ifstream in(folder / "b.batch.json");
    return nlohmann::json::parse(in);
  }
  jobs::StudioFolder folder;
};

// The overlap of a fresh ground is measured where a crossed wedge is given, and lands in the batch.
TEST_F(WedgeCommand, ACrossedWedgeReplacesTheAssumedOverlap) {
  maker::CrossedSpec crossed;
  crossed.overlap_q = 0.7;
  maker::WedgeSpec plain;
  plain.minutes = {0, 0.5, 1, 2, 4, 8, 16};
  plain.step = {11, 16};
  maker::write_scan(maker::print_wedge(plain, {}, scanner()), file("plain.tif"));
  maker::write_scan(maker::print_crossed(crossed, {}, scanner()), file("crossed.tif"));
  const std::vector<std::string> only_plain{"wedge",
                                            file("plain.tif"),
                                            "--times",
                                            "0s,30s,1min,2min,4min,8min,16min",
                                            "--out",
                                            file("b.batch.json")};
  ASSERT_EQ(run_rebite(only_plain).code, 0);
  EXPECT_FALSE(batch().at("overlap").at("measured").get<bool>());

  std::vector<std::string> both = only_plain;
  both.insert(both.end(),
              {"--crossed",
               file("crossed.tif"),
               "--crossed-first",
               "0s,30s,1min,2min,4min",
               "--crossed-second",
               "0s,30s,1min,2min"});
  const Said said = run_rebite(both);
  ASSERT_EQ(said.code, 0) << said.err;
  EXPECT_NE(said.out.find("by the crossed wedge"), std::string::npos) << said.out;
  const auto overlap = batch().at("overlap");
  EXPECT_TRUE(overlap.at("measured").get<bool>());
  EXPECT_NEAR(overlap.at("q").get<double>(), 0.7, 2.5 * overlap.at("sd").get<double>());

  both.back() = "0s,30s,1min";  // a strip less than the scan shows
  const Said refused = run_rebite(both);
  EXPECT_EQ(refused.code, 65);
  EXPECT_NE(refused.err.find("crossed.tif"), std::string::npos) << refused.err;
}

// A small wedge in the corner of a plate that was also bitten elsewhere: not found by itself, read
// where --window says it lies.
TEST_F(WedgeCommand, AWindowShowsAWedgeInTheCornerOfALargerPlate) {
  maker::WedgeSpec spec;
  spec.minutes = {0, 1, 2, 4, 8, 16};
  spec.step = {9, 12};
  spec.border_mm = 4;
  maker::Plate plate = maker::wedge_plate(spec);
  const SizeMm wedge = plate.size;
  plate.size = {150, 110};
  cv::Mat1f larger(1100, 1500, 0.F);
  plate.bites.front().minutes.copyTo(larger(cv::Rect({0, 0}, plate.bites.front().minutes.size())));
  // The picture that the plate was really made for.
  const float patches[5][5] = {{20, 45, 50, 40, 6},
                               {80, 40, 60, 20, 3},
                               {75, 65, 30, 38, 14},
                               {112, 68, 30, 34, 1.5F},
                               {95, 5, 45, 28, 9}};
  for (const auto& p : patches) {
    larger(cv::Rect(int(p[0]) * 10, int(p[1]) * 10, int(p[2]) * 10, int(p[3]) * 10)) = p[4];
  }
  plate.bites.front().minutes = larger;
  const auto made = maker::print_proof(plate, {}, scanner());
  maker::write_scan(made, file("plate.tif"));
  const std::vector<std::string> alone{
      "wedge", file("plate.tif"), "--times", "0s,1min,2min,4min,8min,16min", "--out",
      file("b.batch.json")};
  const Said lost = run_rebite(alone);
  EXPECT_EQ(lost.code, 65) << lost.out;
  EXPECT_FALSE(std::filesystem::exists(folder / "b.batch.json"));

  const auto corner = made.px_from_plate({-1, -1}) * (25.4 / made.dpi);
  std::vector<std::string> window = alone;
  window.insert(window.end(),
                {"--window",
                 fmt::format("{:.1f},{:.1f},{:.1f},{:.1f}",
                             corner.x,
                             corner.y,
                             wedge.width + 2,
                             wedge.height + 1)});
  const Said said = run_rebite(window);
  ASSERT_EQ(said.code, 0) << said.err;
  const auto steps = batch().at("steps");
  ASSERT_EQ(steps.size(), spec.minutes.size());
  const auto centres = maker::wedge_step_centres(spec);
  for (std::size_t i = 0; i < spec.minutes.size(); ++i) {
    EXPECT_NEAR(
        steps[i].at("density").get<double>(), spec.curve.density(spec.minutes[i]), 0.06);
    // The step lies where it was bitten: no neighbour was taken for it.
    const auto middle = made.px_from_plate(centres[i]) * (25.4 / made.dpi);
    EXPECT_NEAR(steps[i].at("x_mm").get<double>(), middle.x, 1.5);
    EXPECT_NEAR(steps[i].at("y_mm").get<double>(), middle.y, 1.5);
  }
  // Where nothing is, and off the scan.
  window.back() = "2,2,12,8";
  EXPECT_EQ(run_rebite(window).code, 65);
  // A resolution three times too high makes a small scan of small steps.
  auto shrunk = made;
  shrunk.dpi = 3 * made.dpi;
  maker::write_scan(shrunk, file("shrunk.tif"));
  std::vector<std::string> wrong_tag = alone;
  wrong_tag[1] = file("shrunk.tif");
  const Said small = run_rebite(wrong_tag);
  EXPECT_EQ(small.code, 65);
  EXPECT_THAT(small.err,
              testing::HasSubstr(fmt::format(" mm at {:.0f} dpi", shrunk.dpi)));
  EXPECT_THAT(small.err, testing::HasSubstr("the resolution in the file is wrong"));
  // Pixels for mm: told with the scan's size, not as a scan without tone.
  window.back() = "900,900,20,20";
  const Said pixels = run_rebite(window);
  EXPECT_EQ(pixels.code, 65);
  EXPECT_THAT(pixels.err, testing::HasSubstr("900,900 mm, lies outside the scan, which is"));
  EXPECT_THAT(pixels.err, testing::HasSubstr("--window in mm"));
}

// A unit mistyped, and a day that is none.
TEST_F(WedgeCommand, AStrideOfTheLadderOrADayThatCannotBeRightIsTold) {
  maker::WedgeSpec spec;
  spec.minutes = {0, 1, 2, 4, 8, 16};
  maker::Impression print;
  maker::Scanner scanner;
  scanner.dpi = 200;
  maker::write_scan(maker::print_wedge(spec, print, scanner), file("w.tif"));
  std::vector<std::string> call{
      "wedge", file("w.tif"), "--times", "0s,1min,2min,4min,8min,16h", "--out", file("b.batch.json")};
  const Said hours = run_rebite(call);
  EXPECT_EQ(hours.code, 0) << hours.err;
  EXPECT_THAT(hours.err, testing::HasSubstr("is 120 times the one before it"));
  call[3] = "0s,1min,2min,4min,8min,16min";
  EXPECT_THAT(run_rebite(call).err, testing::Not(testing::HasSubstr("times the one before it")));
  call.insert(call.end(), {"--bitten-on", "31.12.2026"});
  const Said day = run_rebite(call);
  EXPECT_EQ(day.code, 64);
  EXPECT_THAT(day.err, testing::HasSubstr("'31.12.2026' is no day"));
  call.back() = "2026-02-30";
  EXPECT_EQ(run_rebite(call).code, 64);
  call.back() = "2026-05-04";
  EXPECT_EQ(run_rebite(call).code, 0);
  EXPECT_EQ(batch().at("bitten_on"), "2026-05-04");
}

// Which step got which time is said, and drawn.
TEST_F(WedgeCommand, EachStepIsShownWithItsTimeAndPlace) {
  maker::WedgeSpec spec;
  spec.minutes = {16, 8, 4, 2, 1, 0};
  spec.step = {11, 16};
  const auto made = maker::print_wedge(spec, {}, scanner());
  maker::write_scan(made, file("w.tif"));
  std::vector<std::string> words{"wedge", file("w.tif"), "--times", "0s,1min,2min,4min,8min,16min",
                                 "--out", file("b.batch.json"), "--plot", file("w.svg")};
  const Said said = run_rebite(words);
  ASSERT_EQ(said.code, 0) << said.err;
  // The unbitten step is the one at the right, the sixth along the wedge.
  const auto centres = maker::wedge_step_centres(spec);
  const auto last = made.px_from_plate(centres.back()) * (25.4 / made.dpi);
  const auto bare = batch().at("steps").front();
  EXPECT_EQ(bare.at("place"), 6);
  EXPECT_NEAR(bare.at("x_mm").get<double>(), last.x, 1.5);
  EXPECT_NE(said.out.find(fmt::format("6. at {:.0f},{:.0f} mm",
                                      bare.at("x_mm").get<double>(),
                                      bare.at("y_mm").get<double>())),
            std::string::npos)
      << said.out;
  // The picture of the wedge is in the plot: its scan is embedded.
  std::ifstream svg(folder / "w.svg");
  const std::string drawn((std::istreambuf_iterator<char>(svg)), {});
  EXPECT_NE(drawn.find("<image"), std::string::npos);
  words.back() = file("w.png");
  ASSERT_EQ(run_rebite(words).code, 0);
  EXPECT_GT(std::filesystem::file_size(folder / "w.png"), 50000U);
}

// Two prints of one wedge at two exposures of the scanner: told with what to do.
TEST_F(WedgeCommand, AnotherExposureIsTold) {
  maker::WedgeSpec spec;
  spec.minutes = {0, 1, 2, 4, 8, 16};
  spec.step = {11, 16};
  maker::Scanner s = scanner();
  maker::Impression print;
  maker::write_scan(maker::print_wedge(spec, print, s), file("one.tif"));
  print.seed = 2;
  s.seed = 2;
  print.paper_reflectance = 0.84;  // another sheet
  maker::write_scan(maker::print_wedge(spec, print, s), file("two.tif"));
  s.exposure = 0.8;
  maker::write_scan(maker::print_wedge(spec, print, s), file("dark.tif"));
  const auto say = [&](const std::string& second) {
    return run_rebite({"wedge", file("one.tif"), file(second), "--times",
                       "0s,1min,2min,4min,8min,16min", "--out", file("b.batch.json")});
  };
  const Said alike = say("two.tif");
  ASSERT_EQ(alike.code, 0) << alike.err;
  EXPECT_EQ(alike.err.find("exposure changed"), std::string::npos) << alike.err;
  const Said unlike = say("dark.tif");
  ASSERT_EQ(unlike.code, 0) << unlike.err;
  EXPECT_NE(unlike.err.find("The bare paper of one.tif was scanned as 86 % of white and that of "
                            "dark.tif as 67 %"),
            std::string::npos)
      << unlike.err;
  EXPECT_NE(unlike.err.find("switch off automatic exposure"), std::string::npos);
  // Of both: what the plan holds against the proof's.
  EXPECT_NEAR(batch().at("paper_reflectance").get<double>(), (0.86 + 0.67) / 2, 0.01);
  EXPECT_TRUE(batch().contains("paper_unevenness"));
}

// The same between proof, drawing and wedge of a plan.
TEST(PlanCommand, AnotherExposureOfTheDrawingIsTold) {
  SmallStudio& studio = small_studio();
  ASSERT_EQ(studio.not_ready, "");
  const auto notes_of = [&](const std::string& drawing) {
    const Said said = run_rebite({"plan", studio.file("proof.tif"), drawing, "--batch",
                                  studio.file("ferric.batch.json"), "--plate", "70x50", "--out",
                                  studio.file("exposed-plan")});
    EXPECT_EQ(said.code, 0) << said.err;
    std::ifstream in(studio.file("exposed-plan/plan.json"));
    std::string notes;
    const auto plan = nlohmann::json::parse(in);
    for (const auto& n : plan.at("notes")) notes += n.get<std::string>() + "\n";
    return notes;
  };
  EXPECT_EQ(notes_of(studio.file("drawing.tif")).find("exposure changed"), std::string::npos);
  maker::MadeScan dark = studio.made.drawing;
  dark.codes = studio.made.drawing.codes.clone();
  // 0.8 of the light, in sRGB codes.
  for (auto& code : cv::Mat1w(dark.codes)) {
    code = static_cast<std::uint16_t>(
        65535 * scan::linear_to_srgb(0.8 * scan::srgb_to_linear(code / 65535.0)));
  }
  maker::write_scan(dark, studio.file("dark.tif"));
  const std::string notes = notes_of(studio.file("dark.tif"));
  EXPECT_NE(notes.find("The bare paper of the proof was scanned as 86 % of white and that of the "
                       "drawing as 69 %"),
            std::string::npos)
      << notes;
}

}  // namespace
}  // namespace rebite::cli

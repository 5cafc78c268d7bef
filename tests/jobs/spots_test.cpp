#include "jobs/spots.h"

#include <gtest/gtest.h>

#include <algorithm>
#include <fstream>

#include "jobs/calibrate.h"
#include "tests/jobs/studio.h"

namespace rebite::jobs {
namespace {

TEST(ParseSpot, PixelsMillimetresAndAperture) {
  const auto px = parse_spot("1200,800");
  ASSERT_TRUE(px);
  EXPECT_FALSE(px->in_mm);
  EXPECT_DOUBLE_EQ(px->diameter_mm, 3);
  const auto mm = parse_spot("12mm,30mm,5");
  ASSERT_TRUE(mm);
  EXPECT_TRUE(mm->in_mm);
  EXPECT_DOUBLE_EQ(mm->y, 30);
  EXPECT_DOUBLE_EQ(mm->diameter_mm, 5);
  EXPECT_TRUE(parse_spot("12mm,30mm,5mm"));
}

TEST(ParseSpot, RefusesWhatIsNoPlace) {
  for (const char* text : {"", "12", "12mm,30", "1,2,3,4", "a,b", "1,2,0", "1,2,900", "1,,2"}) {
    const auto spot = parse_spot(text);
    ASSERT_FALSE(spot) << text;
    EXPECT_EQ(spot.error().kind, ProblemKind::usage);
  }
}

// The aperture is at fault, not the place.
TEST(ParseSpot, AnApertureThatCannotBeMeasuredIsNamed) {
  for (const char* text : {"86mm,30mm,0.05", "1200,800,900"}) {
    const auto spot = parse_spot(text);
    ASSERT_FALSE(spot) << text;
    EXPECT_NE(spot.error().what.find("aperture"), std::string::npos) << spot.error().what;
  }
}

TEST(GreyScaleDensities, ByListOrByName) {
  EXPECT_EQ(grey_scale_densities("0.05,0.43")->size(), 2U);
  const auto named = grey_scale_densities("camera-11");
  ASSERT_TRUE(named);
  EXPECT_EQ(named->size(), 11U);
  EXPECT_DOUBLE_EQ(named->back(), 1.65);  // its source is in calibration/grey-scales.json
  const auto unknown = grey_scale_densities("camera-12");
  ASSERT_FALSE(unknown);
  EXPECT_NE(unknown.error().next.find("camera-11"), std::string::npos);
}

TEST(LoadScan, OtherSettingsThanTheCurvesAreToldOnce) {
  const StudioFolder folder;
  scan::ScannerCurve c;
  c.code = {0.1, 0.5, 0.9};
  c.reflectance = {0.02, 0.2, 0.9};
  c.bits = 8;
  c.patches = {{Density::of(0.05), 0.9, 0}, {Density::of(0.7), 0.5, 0}, {Density::of(1.7), 0.1, 0}};
  std::ofstream(folder / "eight.scanner.json") << scan::to_json(c);
  ScanChoice choice;
  choice.scanner = folder / "eight.scanner.json";
  choice.relative_to_paper = false;
  const auto scan = load_scan(REBITE_SOURCE_DIR "/samples/grey-scale.tif", choice);
  ASSERT_TRUE(scan) << scan.error().what;
  const auto told = std::count_if(scan->notes.begin(), scan->notes.end(), [](const auto& note) {
    return note.find("8-bit") != std::string::npos;
  });
  EXPECT_EQ(told, 1);
}

}  // namespace
}  // namespace rebite::jobs

#include "jobs/spots.h"

#include <gtest/gtest.h>

#include "jobs/calibrate.h"

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

}  // namespace
}  // namespace rebite::jobs

#include "jobs/spots.h"

#include <gtest/gtest.h>

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

}  // namespace
}  // namespace rebite::jobs

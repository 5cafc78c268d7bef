#include "units/parse.h"

#include <gtest/gtest.h>

namespace rebite {
namespace {

double seconds(std::string_view text) {
  const auto t = parse_time(text);
  EXPECT_TRUE(t) << text << ": " << (t ? "" : t.error().what);
  return t ? t->in_seconds() : -1;
}

TEST(ParseTime, TakesTheFormsOfTheInterface) {
  EXPECT_DOUBLE_EQ(seconds("15s"), 15);
  EXPECT_DOUBLE_EQ(seconds("2.5min"), 150);
  EXPECT_DOUBLE_EQ(seconds("2:30"), 150);
  EXPECT_DOUBLE_EQ(seconds("1:02:00"), 3720);
  EXPECT_DOUBLE_EQ(seconds("4m30s"), 270);
  EXPECT_DOUBLE_EQ(seconds("4 min 30 s"), 270);
  EXPECT_DOUBLE_EQ(seconds("0:05"), 5);
  EXPECT_DOUBLE_EQ(seconds("0"), 0);
}

TEST(ParseTime, RefusesWhatIsNotATime) {
  for (const char* text :
       {"",     "15",     "2.5",       "min",   "-1min", "1e3s",    "nan s",       "2:5",
        "2:75", "1,5min", "3s4min",    "5min5", "0x10s", "2:30min", "99999999min", "2..5min",
        ":30",  "2:",     "15 apples", "٣min"}) {
    const auto t = parse_time(text);
    ASSERT_FALSE(t) << text;
    EXPECT_EQ(t.error().kind, ProblemKind::usage);
    EXPECT_NE(t.error().next.find("15s"), std::string::npos) << "must show the right form";
  }
}

TEST(ParseTimes, AListKeepsItsOrder) {
  const auto t = parse_times("0s,15s, 1min,2:00");
  ASSERT_TRUE(t);
  ASSERT_EQ(t->size(), 4U);
  EXPECT_DOUBLE_EQ((*t)[3].in_minutes(), 2);
  EXPECT_FALSE(parse_times("15s,,1min"));
  EXPECT_FALSE(parse_times("15s,30"));
}

TEST(ParseSize, MillimetresInchesCentimetres) {
  EXPECT_DOUBLE_EQ(parse_size("180x130")->width, 180);
  EXPECT_DOUBLE_EQ(parse_size("180x130mm")->height, 130);
  EXPECT_DOUBLE_EQ(parse_size("7x5in")->width, 177.8);  // 1 in = 25.4 mm exactly (ISO 31-1)
  EXPECT_DOUBLE_EQ(parse_size("18 x 13 cm")->height, 130);
  for (const char* text : {"180", "180x", "x130", "0x0", "180x130km", "-180x130", "9999x10"}) {
    EXPECT_FALSE(parse_size(text)) << text;
  }
}

TEST(ParseTemperature, NeedsItsScale) {
  EXPECT_DOUBLE_EQ(parse_temperature("21C")->in_celsius(), 21);
  EXPECT_NEAR(parse_temperature("70F")->in_celsius(), 21.11, 0.005);
  EXPECT_DOUBLE_EQ(parse_temperature("21 \u00b0C")->in_celsius(), 21);
  for (const char* text : {"21", "70", "C", "500C", "21K"}) {
    EXPECT_FALSE(parse_temperature(text)) << text;
  }
}

TEST(ParseNumbers, PlainNumbersOnly) {
  EXPECT_EQ(*parse_numbers("0.05, 1.5,-2"), (std::vector<double>{0.05, 1.5, -2}));
  for (const char* text : {"", "1,,2", "inf", "nan", "0x1", "1e3", "1;2"}) {
    EXPECT_FALSE(parse_numbers(text)) << text;
  }
}

TEST(ClockText, SecondsStaySeconds) {
  EXPECT_EQ(clock_text(BiteTime::seconds(5)), "0:05");
  EXPECT_EQ(clock_text(BiteTime::seconds(-65)), "-1:05");
  EXPECT_EQ(clock_text(BiteTime::seconds(-0.4)), "0:00");
  EXPECT_EQ(clock_text(BiteTime::minutes(2.5)), "2:30");
  EXPECT_EQ(clock_text(BiteTime::minutes(59.995)), "1:00:00");
  EXPECT_EQ(clock_text(BiteTime::minutes(62)), "1:02:00");
}

}  // namespace
}  // namespace rebite

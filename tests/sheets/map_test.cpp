// map.png, map.svg, the label picture, the curve pictures and the words of numbers.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <opencv2/imgproc.hpp>

#include "sheets/plots.h"
#include "sheets/sheets.h"
#include "sheets/wording.h"
#include "tests/sheets/made_content.h"
#include "tests/sheets/page_pictures.h"

namespace rebite::sheets {
namespace {

using maker::like_reference;
using maker::png_grey;
using maker::scaled_to_width;
using testing::HasSubstr;
using testing::Not;

TEST(Map, LooksAsKeptSmallerThanOnAPhone) {
  EXPECT_TRUE(
      like_reference("map-lock", scaled_to_width(png_grey(map_png(maker::made_content())), 280)));
  EXPECT_TRUE(
      like_reference("map-none", scaled_to_width(png_grey(map_png(maker::made_no_work())), 280)));
}

TEST(Map, EveryPlanGivesAPicture) {
  for (const auto& c : {maker::made_one_region(),
                        maker::made_large_plate(),
                        maker::made_many_regions(300),
                        maker::without_batch(maker::made_content())}) {
    const cv::Mat1b picture = png_grey(map_png(c));
    EXPECT_GE(picture.cols, 1560);
    EXPECT_LE(picture.total(), 40'000'000U);
    EXPECT_LT(cv::mean(picture)[0], 250);
  }
}

TEST(Map, SvgIsVectorAndTheSameEveryTime) {
  const auto c = maker::made_content();
  std::string svg = map_svg(c);
  EXPECT_TRUE(svg == map_svg(c));
  EXPECT_TRUE(map_png(c) == map_png(c));
  EXPECT_TRUE(svg.find("<svg") != std::string::npos);
  EXPECT_TRUE(svg.find("image/jpeg") != std::string::npos);  // the proof, once
  svg.erase(svg.find("base64,"), svg.find('"', svg.find("base64,")) - svg.find("base64,"));
  EXPECT_TRUE(svg.find("nan") == std::string::npos);
  EXPECT_TRUE(svg.find("inf") == std::string::npos);
}

TEST(Map, ATitleOfAnyLengthStaysOnThePage) {
  auto c = maker::made_content();
  c.title = std::string(400, 'W') + " " + std::string(300, 'm');
  c.plan.batch = std::string(300, 'b');
  const cv::Mat1b picture = png_grey(map_png(c));
  // The outer 4 px at the right stay white.
  EXPECT_EQ(cv::countNonZero(picture.colRange(picture.cols - 8, picture.cols) < 250), 0);
}

TEST(Pictures, RegionsAreSixteenBitLabels) {
  auto c = maker::made_content();
  c.map.labels(0, 0) = 300;
  const std::string png = regions_png(c);
  // IHDR: width, height, bit depth 16, colour type 0 (PNG specification, 11.2.2).
  ASSERT_GT(png.size(), 33U);
  EXPECT_EQ(png.substr(12, 4), "IHDR");
  EXPECT_EQ(static_cast<unsigned char>(png[24]), 16);
  EXPECT_EQ(static_cast<unsigned char>(png[25]), 0);
  const std::string next = next_proof_png(c);
  const cv::Mat1b picture = png_grey(next);
  EXPECT_EQ(picture.size(), c.next_proof_scan.size());
  EXPECT_EQ(cv::countNonZero(picture != c.next_proof_scan), 0);  // grain and all
}

TEST(Plots, LookAsKeptAndAreTheSameEveryTime) {
  const auto batch = maker::made_batch();
  const std::string png = tone_curve_plot(batch, PlotForm::png);
  EXPECT_TRUE(png == tone_curve_plot(batch, PlotForm::png));
  EXPECT_TRUE(like_reference("tone-curve", scaled_to_width(png_grey(png), 480)));
  EXPECT_TRUE(like_reference(
      "scanner",
      scaled_to_width(png_grey(scanner_plot(maker::made_scanner(), PlotForm::png)), 480)));
  EXPECT_TRUE(like_reference(
      "scanner-colour",
      scaled_to_width(png_grey(scanner_plot(maker::made_colour_scanner(), PlotForm::png)), 480)));
  EXPECT_THAT(tone_curve_plot(batch, PlotForm::svg), Not(HasSubstr("nan")));
  EXPECT_THAT(scanner_plot(maker::made_scanner(), PlotForm::svg), Not(HasSubstr("nan")));
  EXPECT_THAT(scanner_plot(maker::made_colour_scanner(), PlotForm::svg), Not(HasSubstr("nan")));
}

TEST(Plots, ABatchOfTwoStepsAndOneOfManyHoursAreDrawn) {
  auto batch = maker::made_batch();
  batch.steps.resize(2);
  EXPECT_FALSE(tone_curve_plot(batch, PlotForm::png).empty());
  wedge::ToneCurve::Table table{{0, 600, 2400}, {0.05, 0.7, 1.3}, {0.01, 0.02, 0.03}};
  batch.curve = wedge::ToneCurve(wedge::CurveKind::monotone, table, {}, BiteTime::minutes(2000));
  EXPECT_FALSE(tone_curve_plot(batch, PlotForm::png).empty());
}

TEST(Wording, NumbersInBothUnits) {
  EXPECT_EQ(length_text(12.5, Units::metric), "12.5 mm");
  EXPECT_EQ(length_text(150, Units::metric), "150 mm");
  EXPECT_EQ(length_text(25.4, Units::inches), "1.00 in");  // exact by definition (1959)
  EXPECT_EQ(size_text({150, 110}, Units::metric), "150 × 110 mm");
  EXPECT_EQ(area_text(1234, Units::metric), "12.3 cm²");
  EXPECT_EQ(area_text(45, Units::metric), "0.45 cm²");
  EXPECT_EQ(area_text(645.16, Units::inches), "1.00 in²");
  EXPECT_EQ(temperature_text(20, false), "20 °C");
  EXPECT_EQ(temperature_text(20, true), "68 °F");
  EXPECT_EQ(temperature_text(19.5, false), "19.5 °C");
  EXPECT_EQ(gap_text(ToneGap::of(0.314)), "+0.31 D");
  EXPECT_EQ(gap_text(ToneGap::of(-0.1)), "−0.10 D");
  EXPECT_EQ(gap_text(ToneGap::of(-0.001)), "0.00 D");
  EXPECT_EQ(density_text(Density::of(std::nan(""))), "D –");
  EXPECT_EQ(date_of("2026-11-25T10:00:00Z"), "2026-11-25");
  EXPECT_EQ(date_of(""), "");
}

TEST(Wording, ListsOfNumbers) {
  EXPECT_EQ(ids_text({}), "");
  EXPECT_EQ(ids_text({7}), "7");
  EXPECT_EQ(ids_text({9, 3, 5, 4, 12, 13}), "3-5, 9, 12, 13");
  EXPECT_EQ(ids_text({1, 3, 5, 7, 9}, 3), "1, 3, 5 and 2 more");
  plan::Stage s;
  s.number = 2;
  s.dip = BiteTime::seconds(90);
  s.total = BiteTime::minutes(63);
  EXPECT_EQ(dip_text(s), "dip 1:30 · total 1:03:00");
  EXPECT_EQ(stage_heading(s, 5), "STAGE 2 of 5");
}

}  // namespace
}  // namespace rebite::sheets

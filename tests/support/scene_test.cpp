// The ready-made pictures agree with themselves: minutes said are minutes needed.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>

#include "tests/support/lock_in_snow.h"
#include "tests/support/plate_maker.h"

namespace rebite::maker {
namespace {

// Bites every darker area once more by its true minutes, and looks at the plate again.
void expect_minutes_reach_the_drawing(const Scene& scene, bool fresh) {
  Plate plate = scene.plate;
  plate.lines = cv::Mat1f();
  Bite next;
  next.ground_seed = fresh ? 4711 : plate.bites[0].ground_seed;
  next.grain_mm = plate.bites[0].grain_mm;
  next.minutes = cv::Mat1f(scene.labels.size(), 0.F);
  for (int r = 0; r < scene.labels.rows; ++r) {
    for (int c = 0; c < scene.labels.cols; ++c) {
      const auto& area = scene.areas[scene.labels(r, c) - 1U];
      const double t = fresh ? area.fresh : area.kept;
      if (std::isfinite(t)) next.minutes(r, c) = static_cast<float>(t);
    }
  }
  plate.bites.push_back(next);
  const cv::Mat1f reached = printed_density(plate, scene.px_per_mm);
  int looked = 0;
  for (const auto& area : scene.areas) {
    if (area.soft || area.gap() < 0.02 || !std::isfinite(area.fresh)) continue;
    std::vector<float> values;
    for (int r = 0; r < scene.labels.rows; ++r) {
      for (int c = 0; c < scene.labels.cols; ++c) {
        if (scene.labels(r, c) == area.label && scene.strokes(r, c) == 0) {
          values.push_back(reached(r, c));
        }
      }
    }
    if (values.size() < 50) continue;
    std::nth_element(values.begin(),
                     values.begin() + static_cast<std::ptrdiff_t>(values.size() / 2),
                     values.end());
    EXPECT_NEAR(static_cast<double>(values[values.size() / 2]), area.wanted, 0.01)
        << "area " << area.label << (fresh ? " fresh" : " kept");
    ++looked;
  }
  EXPECT_GE(looked, 1);
}

TEST(Scene, TrueMinutesReachTheDrawing) {
  for (const std::uint64_t seed : {1U, 2U, 3U}) {
    const Scene scene = make_scene(seed);
    expect_minutes_reach_the_drawing(scene, true);
    expect_minutes_reach_the_drawing(scene, false);
  }
}

TEST(Scene, HasDarkerLighterAndUntouchedAreasAndLines) {
  int darker = 0, lighter = 0, same = 0;
  for (std::uint64_t seed = 1; seed <= 8; ++seed) {
    const Scene scene = make_scene(seed, {100, 80});
    EXPECT_GE(scene.areas.size(), 6U);
    EXPECT_LE(scene.areas.size(), 16U);
    EXPECT_TRUE(scene.areas[0].soft);
    EXPECT_GT(cv::countNonZero(scene.strokes), 100);
    for (const auto& area : scene.areas) {
      if (area.soft || area.across_mm < 8) continue;
      darker += area.gap() > 0.1;
      lighter += area.gap() < -0.1;
      same += std::abs(area.gap()) < 0.01;
    }
  }
  EXPECT_GT(darker, 12);
  EXPECT_GT(lighter, 3);
  EXPECT_GT(same, 12);
}

// The painted sheet, scanned, shows on average what wanted_density says.
TEST(Scene, TheSheetShowsTheWantedDensity) {
  const Scene scene = make_scene(2);
  Impression print;
  print.wiping_density = 0;
  print.paper_texture = 0;
  Scanner scanner;
  scanner.tone = ScannerTone::linear;
  scanner.channels = 1;
  const MadeScan scan = reworked_proof(scene.plate, print, scene.rework, scanner);
  int looked = 0;
  for (double y = 10; y < 100; y += 9) {
    for (double x = 10; x < 140; x += 9) {
      double seen = 0, wanted = 0, n = 0, m = 0;
      const cv::Point2d a = scan.px_from_plate({x - 2.5, y - 2.5}),
                        b = scan.px_from_plate({x + 2.5, y + 2.5});
      for (int r = cvRound(a.y); r < cvRound(b.y); ++r) {
        for (int c = cvRound(a.x); c < cvRound(b.x); ++c, ++n) {
          seen += scan.codes.at<std::uint16_t>(r, c) / 65535.0 / 0.86;
        }
      }
      for (double v = y - 2.375; v < y + 2.5; v += 0.25) {
        for (double u = x - 2.375; u < x + 2.5; u += 0.25, ++m) {
          wanted += std::pow(10,
                             -static_cast<double>(scene.wanted_density(static_cast<int>(v * 4),
                                                                       static_cast<int>(u * 4))));
        }
      }
      EXPECT_NEAR(-std::log10(seen / n), -std::log10(wanted / m), 0.03) << x << ", " << y;
      ++looked;
    }
  }
  EXPECT_GT(looked, 100);
}

TEST(Wedge, StepsLieWhereTheirCentresSay) {
  WedgeSpec spec;
  spec.minutes = {0, 1, 4, 16, 0.5, 2};
  spec.rows = 2;
  spec.gap_mm = 2;
  const Plate plate = wedge_plate(spec);
  EXPECT_NEAR(plate.size.width, 6 + 14 + 2 + 14 + 2 + 14 + 6, 1e-9);
  EXPECT_NEAR(plate.size.height, 6 + 30 + 2 + 30 + 6, 1e-9);
  const cv::Mat1f printed = printed_density(plate, 4);
  const auto centres = wedge_step_centres(spec);
  for (size_t i = 0; i < centres.size(); ++i) {
    EXPECT_NEAR(static_cast<double>(printed(static_cast<int>(centres[i].y * 4),
                                            static_cast<int>(centres[i].x * 4))),
                spec.curve.density(spec.minutes[i]),
                2e-3);
  }
}

TEST(LockInSnow, TheArtistsChangesAreInIt) {
  const Scene scene = lock_in_snow();
  ASSERT_EQ(scene.areas.size(), static_cast<size_t>(lock_areas));
  const auto gap = [&](LockArea area) { return scene.areas[static_cast<size_t>(area) - 1].gap(); };
  EXPECT_GT(gap(LockArea::water), 0.4);
  EXPECT_GT(gap(LockArea::gate), 0.25);
  EXPECT_GT(gap(LockArea::sky), 0.1);
  EXPECT_LT(gap(LockArea::right_wall), -0.4);
  EXPECT_LT(gap(LockArea::window), -0.12);
  EXPECT_LT(gap(LockArea::near_bank), -0.1);
  for (const auto same :
       {LockArea::wood, LockArea::cottage_roof, LockArea::left_wall, LockArea::bollard}) {
    EXPECT_NEAR(gap(same), 0, 0.02) << static_cast<int>(same);
  }
}

}  // namespace
}  // namespace rebite::maker

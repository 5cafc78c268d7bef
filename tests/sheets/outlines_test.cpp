#include "sheets/outlines.h"

#include <gtest/gtest.h>

#include <cmath>
#include <map>
#include <opencv2/imgproc.hpp>
#include <set>

#include "tests/sheets/made_content.h"

namespace rebite::sheets {
namespace {

double signed_area(const Ring& r) {
  double sum = 0;
  for (std::size_t i = 0; i < r.size(); ++i) {
    const PlateMm &a = r[i], &b = r[(i + 1) % r.size()];
    sum += a.x * b.y - b.x * a.y;
  }
  return sum / 2;  // y down: positive is clockwise as seen
}

double area(const Outline& o) {
  double sum = 0;
  for (const auto& r : o.rings) sum += signed_area(r);
  return sum;
}

const Outline& of(const std::vector<Outline>& all, int id) {
  for (const auto& o : all)
    if (o.id == id) return o;
  throw std::runtime_error("no outline");
}

TEST(Outlines, ARectangleKeepsItsSize) {
  cv::Mat1w labels(100, 150, std::uint16_t{0});
  labels(cv::Rect(20, 10, 60, 40)) = 3;
  const auto all = outlines(labels, 4, {37.5, 25});
  ASSERT_EQ(all.size(), 2U);
  EXPECT_EQ(all[0].id, 0);
  EXPECT_NEAR(area(of(all, 3)), 15 * 10, 50 * 0.03);  // 0.03 mm along its 50 mm of border
  EXPECT_NEAR(area(of(all, 0)), 37.5 * 25 - area(of(all, 3)), 1e-9);
  for (const auto& p : of(all, 3).rings.at(0)) {
    EXPECT_GE(p.x, 5 - 0.12);
    EXPECT_LE(p.x, 20 + 0.12);
    EXPECT_GE(p.y, 2.5 - 0.12);
    EXPECT_LE(p.y, 12.5 + 0.12);
  }
}

TEST(Outlines, ACircleIsSmoothAndDoesNotShrink) {
  for (const double radius_mm : {1.5, 4.0, 12.0}) {
    const double k = 4;
    cv::Mat1w labels(120, 120, std::uint16_t{0});
    for (int y = 0; y < 120; ++y)
      for (int x = 0; x < 120; ++x)
        if (std::hypot((x + 0.5) / k - 15.1, (y + 0.5) / k - 14.8) < radius_mm) labels(y, x) = 1;
    const auto all = outlines(labels, k, {30, 30});
    const Ring& ring = of(all, 1).rings.at(0);
    double worst = 0;
    for (const auto& p : ring)
      worst = std::max(worst, std::abs(std::hypot(p.x - 15.1, p.y - 14.8) - radius_mm));
    // Half a pixel is 0.125 mm: the smooth line lies closer to the true circle than the stairs do.
    EXPECT_LT(worst, 0.12) << radius_mm;
    // 0.05 mm along the border.
    EXPECT_NEAR(signed_area(ring), M_PI * radius_mm * radius_mm, 2 * M_PI * radius_mm * 0.05);
    EXPECT_LT(ring.size(), 120U);
  }
}

TEST(Outlines, AStraightSlantHasNoStairs) {
  // Borders that rise 1 in 2, 7 and 20 (stairs of 0.5, 1.75 and 5 mm): the line stays within a
  // third of a pixel of the true one, away from the ends; the stairs themselves are off by half a
  // pixel.
  const double k = 4;
  for (const double run : {2.0, 7.0, 20.0}) {
    cv::Mat1w labels(200, 240, std::uint16_t{0});
    for (int y = 0; y < 200; ++y)
      for (int x = 0; x < 240; ++x) labels(y, x) = (y + 0.5) / k > 10 + (x + 0.5) / k / run ? 1 : 2;
    int seen = 0;
    double worst = 0;
    const auto all = outlines(labels, k, {60, 50});
    for (const auto& p : of(all, 1).rings.at(0)) {
      if (p.y > 45 || p.x < 4 || p.x > 56) continue;
      worst = std::max(worst, std::abs(p.y - 10 - p.x / run) / std::hypot(1, 1 / run));
      ++seen;
    }
    EXPECT_LT(worst, 0.083) << "1 in " << run;
    EXPECT_LE(seen, 22) << "1 in " << run;
  }
}

TEST(Outlines, NeighboursShareTheirBordersExactly) {
  const auto c = maker::made_many_regions(120);
  const auto all = outlines(c.map.labels, c.map.grid.px_per_mm, c.plate);
  double sum = 0;
  std::map<std::array<double, 4>, int> edges;
  for (const auto& o : all) {
    sum += area(o);
    for (const auto& r : o.rings) {
      for (std::size_t i = 0; i < r.size(); ++i) {
        const PlateMm &a = r[i], &b = r[(i + 1) % r.size()];
        ++edges[{a.x, a.y, b.x, b.y}];
      }
    }
  }
  EXPECT_NEAR(sum, c.plate.width * c.plate.height, 1e-6);  // no gap, no overlap
  int alone = 0;
  for (const auto& [e, n] : edges) {
    EXPECT_EQ(n, 1);
    const bool on_edge = (e[0] == e[2] && (e[0] == 0 || e[0] == c.plate.width)) ||
                         (e[1] == e[3] && (e[1] == 0 || e[1] == c.plate.height));
    if (!on_edge && !edges.contains({e[2], e[3], e[0], e[1]})) ++alone;
  }
  EXPECT_EQ(alone, 0);
}

TEST(Outlines, HolesRunTheOtherWayAndCornersDoNotJoin) {
  cv::Mat1w labels(80, 80, std::uint16_t{0});
  labels(cv::Rect(10, 10, 50, 50)) = 1;
  labels(cv::Rect(20, 20, 20, 20)) = 0;
  const auto all = outlines(labels, 2, {40, 40});
  const Outline& o = of(all, 1);
  ASSERT_EQ(o.rings.size(), 2U);
  EXPECT_LT(signed_area(o.rings[0]) * signed_area(o.rings[1]), 0);
  EXPECT_NEAR(area(o), (50 * 50 - 20 * 20) / 4.0, 3);

  labels = 0;
  labels(cv::Rect(10, 10, 20, 20)) = 1;
  labels(cv::Rect(30, 30, 20, 20)) = 1;  // touches at one corner
  EXPECT_EQ(of(outlines(labels, 2, {40, 40}), 1).rings.size(), 2U);
}

TEST(Outlines, ThePlatesEdgeIsKeptWhereTheGridReachesPastIt) {
  // 30.1 x 20.1 mm at 4 px/mm is 121 x 81 pixels: 30.25 x 20.25 mm.
  cv::Mat1w labels(81, 121, std::uint16_t{1});
  const auto all = outlines(labels, 4, {30.1, 20.1});
  EXPECT_NEAR(area(all.at(0)), 30.1 * 20.1, 1e-9);
}

// A ring with a hole, two discs and the hold around them, seen through a box that cuts them: the
// same places are covered, and only the points near the box are left.
TEST(Outlines, ABoxHoldsWhatItShows) {
  const double k = 4;
  cv::Mat1w labels(160, 240, std::uint16_t{0});
  for (int y = 0; y < labels.rows; ++y)
    for (int x = 0; x < labels.cols; ++x) {
      const double r = std::hypot(x - 90.5, y - 70.2);
      if (r < 60 && r > 25) labels(y, x) = 1;
      if (r < 12) labels(y, x) = 2;
      if (std::hypot(x - 210.0, y - 130.0) < 20) labels(y, x) = 3;
    }
  const auto all = outlines(labels, k, {60, 40});
  const PlateMm low{11.3, 9.7}, high{27.9, 33.1};
  const auto part = cut_to_box(all, low, high);
  const auto winding = [](const std::vector<Outline>& of, int id, PlateMm p) {
    int turns = 0;
    for (const auto& o : of) {
      if (o.id != id) continue;
      for (const auto& r : o.rings)
        for (std::size_t i = 0; i < r.size(); ++i) {
          const PlateMm &a = r[i], &b = r[(i + 1) % r.size()];
          if ((a.y <= p.y) == (b.y <= p.y)) continue;
          if (a.x + (p.y - a.y) / (b.y - a.y) * (b.x - a.x) > p.x) turns += b.y > a.y ? 1 : -1;
        }
    }
    return turns;
  };
  int inside = 0;
  for (double y = low.y + 0.013; y < high.y; y += 0.37)
    for (double x = low.x + 0.017; x < high.x; x += 0.37)
      for (const int id : {0, 1, 2}) {
        ASSERT_EQ(winding(all, id, {x, y}), winding(part, id, {x, y}))
            << id << ": " << x << ", " << y;
        inside += winding(part, id, {x, y}) != 0;
      }
  EXPECT_GT(inside, 2000);     // every place is in one of the three
  EXPECT_EQ(part.size(), 3U);  // nothing of the far disc
  std::size_t points = 0, points_before = 0;
  for (const auto& o : part)
    for (const auto& r : o.rings) {
      points += r.size();
      for (const auto& p : r) {
        EXPECT_TRUE(p.x >= low.x - 1e-9 && p.x <= high.x + 1e-9) << p.x;
        EXPECT_TRUE(p.y >= low.y - 1e-9 && p.y <= high.y + 1e-9) << p.y;
      }
    }
  for (const auto& o : all)
    for (const auto& r : o.rings) points_before += r.size();
  EXPECT_LT(points, points_before);
  EXPECT_TRUE(cut_to_box(all, {70, 50}, {80, 60}).empty());
}

}  // namespace
}  // namespace rebite::sheets

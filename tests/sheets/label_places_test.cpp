#include "sheets/label_places.h"

#include <gtest/gtest.h>

#include <cmath>

#include "tests/sheets/made_content.h"

namespace rebite::sheets {
namespace {

std::vector<int> ids_of(const SheetContent& c) {
  std::vector<int> ids;
  for (const auto& r : c.plan.regions) ids.push_back(r.region.id);
  return ids;
}

void check_places(const SheetContent& c, const LabelOptions& options) {
  const double k = c.map.grid.px_per_mm;
  const auto places = label_places(c.map.labels, k, c.plate, ids_of(c), options);
  ASSERT_EQ(places.size(), c.plan.regions.size()) << "every region has its number";
  const auto label_at = [&](double x, double y) {
    return int{c.map.labels(static_cast<int>(y * k), static_cast<int>(x * k))};
  };
  for (std::size_t i = 0; i < places.size(); ++i) {
    const auto& a = places[i];
    EXPECT_EQ(label_at(a.anchor.x, a.anchor.y), a.id);
    const double w = a.width_mm / 2, h = a.height_mm / 2;
    EXPECT_GE(a.at.x - w, 0);
    EXPECT_LE(a.at.x + w, c.plate.width);
    EXPECT_GE(a.at.y - h, 0);
    EXPECT_LE(a.at.y + h, c.plate.height);
    if (!a.leader) {
      for (const double sx : {-1.0, 0.0, 1.0})
        for (const double sy : {-1.0, 1.0})
          EXPECT_EQ(label_at(a.at.x + sx * (w - 0.01), a.at.y + sy * (h - 0.01)), a.id);
    }
    for (std::size_t j = 0; j < i; ++j) {
      const auto& b = places[j];
      const bool apart = std::abs(a.at.x - b.at.x) >= w + b.width_mm / 2 - 1e-9 ||
                         std::abs(a.at.y - b.at.y) >= h + b.height_mm / 2 - 1e-9;
      EXPECT_TRUE(apart) << a.id << " over " << b.id;
      // A number never covers the place that another's leader points at.
      if (b.leader) {
        EXPECT_FALSE(std::abs(a.at.x - b.anchor.x) < w && std::abs(a.at.y - b.anchor.y) < h)
            << a.id << " hides the end of " << b.id << "'s leader";
      }
    }
  }
}

TEST(LabelPlaces, NeverOverlapOnTheLock) { check_places(maker::made_content(), {}); }

TEST(LabelPlaces, NeverOverlapWithThreeHundredRegions) {
  check_places(maker::made_many_regions(300), {6, 2.1, 3, 0.35, 0.696, 0.729});
}

TEST(LabelPlaces, NeverOverlapOnALargePlate) { check_places(maker::made_large_plate(), {}); }

TEST(LabelPlaces, SmallRegionsGetLeaders) {
  const auto c = maker::made_content();
  int leaders = 0;
  for (const auto& p : label_places(c.map.labels, c.map.grid.px_per_mm, c.plate, ids_of(c)))
    leaders += p.leader;
  EXPECT_GE(leaders, 3);  // the posts
  EXPECT_LE(leaders, 6);
}

}  // namespace
}  // namespace rebite::sheets

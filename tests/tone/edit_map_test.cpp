// The region map changed by hand.
#include "tone/edit_map.h"

#include <gmock/gmock.h>

#include <numeric>

namespace rebite::tone {
namespace {

// A plate of 40 x 30 mm at 4 px/mm: region 1 its left half from edge to edge, region 2 a strip of
// 10 mm beside it, the rest held. Region 1 prints 0.2 D above y = 15 mm and 0.4 D below.
class EditMap : public testing::Test {
 protected:
  EditMap() {
    map_.grid = {{40, 30}, 4};
    map_.labels = cv::Mat1w(120, 160, ushort{0});
    map_.labels.colRange(0, 80) = ushort{1};
    map_.labels.colRange(80, 120) = ushort{2};
    map_.now = cv::Mat1f(120, 160, 0.2F);
    map_.now.rowRange(60, 120) = 0.4F;
    map_.target = cv::Mat1f(120, 160, 0.6F);
    map_.gap = map_.target - map_.now;
    for (const int id : {1, 2}) {
      Region r;
      r.id = id;
      r.area_mm2 = id == 1 ? 600 : 300;
      r.width_mm = id == 1 ? 20 : 10;
      r.now = {Density::of(-std::log10((std::pow(10, -0.2) + std::pow(10, -0.4)) / 2)), 0.01};
      r.target = {Density::of(0.6), 0.01};
      r.gap = r.target.value - r.now.value;
      r.gap_sd = 0.014;
      r.neighbours = {3 - id};
      map_.regions.push_back(r);
    }
  }
  const Region& region(int id) const {
    for (const auto& r : map_.regions) {
      if (r.id == id) return r;
    }
    throw std::runtime_error("no such region");
  }
  double area() const {
    return std::accumulate(
        map_.regions.begin(), map_.regions.end(), 0.0, [](double sum, const Region& r) {
          return sum + r.area_mm2;
        });
  }
  RegionMap map_;
};

TEST_F(EditMap, ACutGivesTwoPiecesWithTheirOwnTones) {
  // From the plate's edge to beyond the region, along the change of tone.
  ASSERT_TRUE(cut_region(map_, 1, {{-1, 15}, {22, 15}}, 4));
  ASSERT_EQ(map_.regions.size(), 3U);
  EXPECT_NEAR(area(), 900, 1e-9);
  const Region &a = region(1), &b = region(3);
  EXPECT_NEAR(a.area_mm2, 300, 20 * 0.5 + 1e-9);  // the line's own two pixels stay with one
  EXPECT_NEAR(b.area_mm2, 300, 20 * 0.5 + 1e-9);
  EXPECT_NEAR(std::min(a.now.value.value(), b.now.value.value()), 0.2, 0.01);
  EXPECT_NEAR(std::max(a.now.value.value(), b.now.value.value()), 0.4, 0.01);
  EXPECT_GT(a.gap_sd, 0.014);
  EXPECT_THAT(a.neighbours, testing::ElementsAre(2, 3));
}

// The region lies along the plate's edge: nobody can begin outside it there.
TEST_F(EditMap, ALineThatStopsShortOfTheEdgeIsDrawnOn) {
  ASSERT_TRUE(cut_region(map_, 1, {{10, 0.5}, {10, 15}, {10, 29.5}}, 4));
  EXPECT_EQ(map_.regions.size(), 3U);
  EXPECT_NEAR(area(), 900, 1e-9);
  // Bent: each end goes on the way it was going.
  ASSERT_TRUE(cut_region(map_, 2, {{21, 10}, {25, 14}, {29, 18}}, 4));
  EXPECT_EQ(map_.regions.size(), 4U);
}

TEST_F(EditMap, ALineThatEndsInTheMiddleCutsNothing) {
  const auto cut = cut_region(map_, 1, {{10, -1}, {10, 20}}, 4);
  ASSERT_FALSE(cut);
  EXPECT_THAT(cut.error().what, testing::HasSubstr("region 1"));
  EXPECT_FALSE(cut_region(map_, 1, {{10, 5}}, 4));
  EXPECT_FALSE(cut_region(map_, 7, {{10, -1}, {10, 31}}, 4));
  EXPECT_FALSE(cut_region(map_, 1, {{10, -1}, {1e7, 31}}, 4));
  EXPECT_EQ(map_.regions.size(), 2U);
}

TEST_F(EditMap, NeighboursAreJoinedByTheirMeanReflectance) {
  map_.regions[1].now.value = Density::of(0.5);
  ASSERT_TRUE(join_regions(map_, 2, 1));
  ASSERT_EQ(map_.regions.size(), 1U);
  const Region& r = region(1);
  EXPECT_NEAR(r.area_mm2, 900, 1e-9);
  const double of_1 = (std::pow(10, -0.2) + std::pow(10, -0.4)) / 2;
  EXPECT_NEAR(r.now.value.reflectance(), (2 * of_1 + std::pow(10, -0.5)) / 3, 1e-9);
  EXPECT_EQ(cv::countNonZero(map_.labels == 1), 120 * 120);
  EXPECT_NEAR(r.mean_distance_mm, 0.44705 * 30, 0.03 * 13);  // as place() has it of a square
  EXPECT_FALSE(join_regions(map_, 1, 2));
}

TEST_F(EditMap, WhatIsPaintedIsHeld) {
  ASSERT_TRUE(leave_alone(map_, {{25, -5}, {25, 35}}, 8));  // the whole of 2 and 3 mm of 1
  ASSERT_EQ(map_.regions.size(), 1U);
  EXPECT_NEAR(region(1).area_mm2, 17 * 30, 8);
  EXPECT_EQ(cv::countNonZero(map_.labels == 2), 0);
  EXPECT_FALSE(leave_alone(map_, {{37, 15}}, 1));  // nothing there
  EXPECT_FALSE(leave_alone(map_, {{5, 15}}, 0.1));
}

}  // namespace
}  // namespace rebite::tone

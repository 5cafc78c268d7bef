// Cutting, borders, narrow parts, lines and numbers, on small made pictures.
#include <gtest/gtest.h>

#include <cmath>
#include <map>
#include <random>

#include "tone/borders.h"
#include "tone/cells.h"
#include "tone/edges.h"
#include "tone/lines.h"
#include "tone/narrow.h"
#include "tone/numbering.h"
#include "tone/partition.h"
#include "tone/tidy_labels.h"

namespace rebite::tone {
namespace {

constexpr double kPxPerMm = 8;

// A plate of even grain: cells of `print` mean reflectance, inked or not, the same in both sheets
// (the drawing times `wash`).
struct Sheets {
  cv::Mat1f proof, drawing;
  explicit Sheets(cv::Size size, unsigned seed, float mean = 0.5F) : proof(size), drawing(size) {
    std::mt19937 random(seed);
    std::uniform_real_distribution<float> even(0.F, 1.F);
    for (float& v : proof) v = even(random) < mean ? 0.97F : 0.03F;
    proof.copyTo(drawing);
  }
  Cells cells() const {
    return make_cells(proof, drawing, cv::Mat1b(proof.size(), static_cast<uchar>(255)), {}, kPxPerMm);
  }
};

template <class Inside>
void wash(cv::Mat1f& sheet, double density, Inside inside) {
  for (int i = 0; i < sheet.rows; ++i) {
    for (int j = 0; j < sheet.cols; ++j) {
      if (inside((j + 0.5) / kPxPerMm, (i + 0.5) / kPxPerMm)) {
        sheet(i, j) *= static_cast<float>(std::pow(10, -density));
      }
    }
  }
}

PartSums part(double area, double proof, double drawing) {
  PartSums s;
  s.area = area;
  s.p = proof * area;
  s.d = drawing * area;
  return s;
}

TEST(Cells, MeansAreOfReflectance) {
  const Sheets s({80, 80}, 1);
  const Cells c = s.cells();
  EXPECT_EQ(c.factor, 2);
  double cells = 0, pixels = 0, densities = 0;
  for (const float v : c.proof)
    cells += static_cast<double>(v) / static_cast<double>(c.proof.total());
  for (const float v : s.proof) {
    pixels += static_cast<double>(v) / static_cast<double>(s.proof.total());
    densities += density_of(static_cast<double>(v)) / static_cast<double>(s.proof.total());
  }
  EXPECT_NEAR(cells, pixels, 1e-5);
  // The mean of densities is another number altogether: half land, half ink of D 1.52.
  EXPECT_GT(densities - density_of(pixels), 0.3);
}

TEST(Cells, GrainThatBothSheetsShareIsNoNoiseOfTheGap) {
  Sheets s({160, 160}, 2);
  const Cells shared = s.cells();
  const Sheets other({160, 160}, 3);
  other.drawing.copyTo(s.drawing);
  const Cells apart = s.cells();
  EXPECT_LT(shared.noise_gap(40, 40), 0.002F);
  EXPECT_GT(apart.noise_gap(40, 40), 1.2F * apart.noise_now(40, 40));
}

// The grain's standard error over 1 mm2 as told, against the scatter of 1 mm squares.
TEST(Cells, GrainNoiseIsWhatTheMeansScatterBy) {
  const Sheets s({480, 480}, 4);
  const Cells c = s.cells();
  double sum = 0, sum2 = 0, n = 0;
  for (int i = 0; i + 8 <= s.proof.rows; i += 8) {
    for (int j = 0; j + 8 <= s.proof.cols; j += 8) {
      const double d = density_of(cv::mean(s.proof(cv::Rect(j, i, 8, 8)))[0]);
      sum += d;
      sum2 += d * d;
      n += 1;
    }
  }
  const double sd = std::sqrt(sum2 / n - sum / n * sum / n);
  EXPECT_GT(static_cast<double>(c.noise_now(60, 60)), 0.8 * sd);
  EXPECT_LT(static_cast<double>(c.noise_now(60, 60)), 1.6 * sd);
}

TEST(Partition, StepsApartCountsGapAndTone) {
  const double r = 0.5;
  const double step = std::pow(10, -0.03);
  EXPECT_NEAR(steps_apart(part(100, r, r), part(100, r, r * step)), 1.0, 1e-9);
  EXPECT_NEAR(steps_apart(part(9, r, r), part(4, r, r)), 0.0, 1e-9);
  // Same gap, tones 0.12 D apart: one step.
  const double darker = r * std::pow(10, -0.12);
  EXPECT_NEAR(steps_apart(part(100, r, r), part(100, darker, darker)), 1.0, 1e-9);
}

// The merger against its slow obvious twin, on random chains and grids.
TEST(Partition, MergesAsTheSlowTwinDoes) {
  std::mt19937 random(5);
  std::uniform_real_distribution<double> even(0.1, 0.9);
  for (int trial = 0; trial < 60; ++trial) {
    const int side = 4;
    PartGraph g;
    for (int i = 0; i < side * side; ++i)
      g.parts.push_back(part(1 + 9 * even(random), even(random), even(random)));
    g.border.resize(g.parts.size());
    const auto touch = [&](int a, int b) {
      const double mm = 1 + even(random);
      g.border[static_cast<std::size_t>(a)][b] = mm;
      g.border[static_cast<std::size_t>(b)][a] = mm;
    };
    for (int i = 0; i < side; ++i) {
      for (int j = 0; j < side; ++j) {
        if (j + 1 < side) touch(i * side + j, i * side + j + 1);
        if (i + 1 < side) touch(i * side + j, (i + 1) * side + j);
      }
    }
    const double stop = 400;
    const std::vector<int> fast = merge_parts(g, stop);
    // Twin: look at every pair of sets, merge the cheapest, until none is cheap enough.
    std::vector<int> set(g.parts.size());
    for (std::size_t i = 0; i < set.size(); ++i) set[i] = static_cast<int>(i);
    for (;;) {
      std::map<int, PartSums> sums;
      std::map<std::pair<int, int>, double> border;
      for (std::size_t i = 0; i < set.size(); ++i) {
        sums[set[i]].add(g.parts[i]);
        for (const auto& [n, mm] : g.border[i]) {
          const int other = set[static_cast<std::size_t>(n)];
          if (set[i] < other) border[{set[i], other}] += mm;
        }
      }
      double least = stop;
      std::pair<int, int> best{-1, -1};
      for (const auto& [pair, mm] : border) {
        const double loss = merge_loss(sums[pair.first], sums[pair.second], mm);
        if (loss <= least) {
          least = loss;
          best = pair;
        }
      }
      if (best.first < 0) break;
      for (int& s : set) {
        if (s == best.second) s = best.first;
      }
    }
    for (std::size_t i = 0; i < set.size(); ++i) {
      for (std::size_t j = 0; j < i; ++j) {
        EXPECT_EQ(fast[i] == fast[j], set[i] == set[j]) << "trial " << trial;
      }
    }
  }
}

TEST(Partition, PiecesAreNumberedRowByRow) {
  cv::Mat1i labels = (cv::Mat_<int>(3, 4) << 7, 7, -1, 7, 5, 7, -1, 7, 7, 5, 5, 5);
  EXPECT_EQ(split_pieces(labels), 5);
  const cv::Mat1i expected = (cv::Mat_<int>(3, 4) << 0, 0, -1, 1, 2, 0, -1, 1, 3, 4, 4, 4);
  EXPECT_EQ(cv::countNonZero(labels != expected), 0) << labels;
}

TEST(Borders, AWashedDiscIsFoundToATenthOfAMillimetreOnAverage) {
  Sheets s({320, 320}, 6);
  const auto disc = [](double x, double y) { return std::hypot(x - 20.3, y - 19.8) < 9; };
  wash(s.drawing, 0.15, disc);
  const Cells c = s.cells();
  // Start: a square that misses the disc by more than a millimetre here and there.
  cv::Mat1i labels(c.proof.size(), 0);
  const int a = static_cast<int>(12 / c.mm), b = static_cast<int>(28 / c.mm);
  labels(cv::Rect(a, a, b - a, b - a)) = 1;
  BorderOptions options;
  options.rounds = 6;
  move_borders(labels, 2, c, {}, options);
  const cv::Mat1i fine = fine_labels(labels, 2, c, {}, options, s.proof.size());
  double sum = 0, n = 0, worst = 0;
  for (int i = 1; i < fine.rows; ++i) {
    for (int j = 1; j < fine.cols; ++j) {
      if (fine(i, j) == fine(i, j - 1) && fine(i, j) == fine(i - 1, j)) continue;
      const double off = std::abs(std::hypot((j + 0.5) / kPxPerMm - 20.3, (i + 0.5) / kPxPerMm - 19.8) - 9);
      sum += off;
      n += 1;
      worst = std::max(worst, off);
    }
  }
  EXPECT_LT(sum / n, 0.12);
  EXPECT_LT(worst, 0.5);
  EXPECT_GT(n, 300);
}

TEST(Borders, TheWidestCircle) {
  cv::Mat1i labels(100, 200, 0);
  labels(cv::Rect(20, 30, 100, 40)) = 1;
  EXPECT_NEAR(widths(labels, 2, 0.25)[1], 10, 0.5);
}

TEST(Narrow, WhatNoBrushCanStopOutGoesWhereItLosesLeast) {
  Sheets s({400, 240}, 7);
  // A bar of 2.5 mm between a light field (gap 0) and a dark one (gap 0.3); its own gap is 0.25.
  wash(s.drawing, 0.3, [](double x, double) { return x > 27.5; });
  wash(s.drawing, 0.25, [](double x, double) { return x > 25 && x <= 27.5; });
  const Cells c = s.cells();
  cv::Mat1i labels(c.proof.size(), 0);
  labels.colRange(static_cast<int>(25 / c.mm), static_cast<int>(27.5 / c.mm)) = 1;
  labels.colRange(static_cast<int>(27.5 / c.mm), labels.cols) = 2;
  const int count = merge_narrow(labels, 3, c, {}, 4);
  EXPECT_EQ(count, 2);
  EXPECT_EQ(labels(10, static_cast<int>(26 / c.mm)), labels(10, labels.cols - 1));
  EXPECT_NE(labels(10, 0), labels(10, labels.cols - 1));
  for (const double w : widths(labels, count, c.mm)) EXPECT_GE(w, 4);
}

// Two narrow strips side by side make one area that is broad enough: once they are one it is judged
// by its own width, not by theirs, and is not lost to the field.
TEST(Narrow, TwoThatMakeABroadOneStay) {
  Sheets s({400, 240}, 7);
  wash(s.drawing, 0.25, [](double x, double) { return x > 44; });
  wash(s.drawing, 0.1, [](double x, double) { return x > 47; });
  const Cells c = s.cells();
  cv::Mat1i labels(c.proof.size(), 0);
  labels.colRange(static_cast<int>(44 / c.mm), static_cast<int>(47.5 / c.mm)) = 1;
  labels.colRange(static_cast<int>(47.5 / c.mm), labels.cols) = 2;
  cv::Mat1i around = labels.clone();
  EXPECT_EQ(merge_narrow(around, 3, c, {}, 4, JoinedNarrow::go), 1) << "not around strokes";
  EXPECT_EQ(merge_narrow(labels, 3, c, {}, 4), 2);
  EXPECT_EQ(labels(10, static_cast<int>(45 / c.mm)), labels(10, labels.cols - 1));
  EXPECT_NE(labels(10, 0), labels(10, labels.cols - 1));
}

TEST(Narrow, SpursGoCornersStay) {
  Sheets s({400, 400}, 8);
  const Cells c = s.cells();
  cv::Mat1i labels(c.proof.size(), 0);
  labels(cv::Rect(60, 60, 80, 80)) = 1;  // 20 mm square
  labels(cv::Rect(140, 95, 40, 5)) = 1;  // with a spur of 1.25 x 10 mm
  trim_spurs(labels, 2, c, {}, 4);
  EXPECT_EQ(labels(97, 170), 0);
  EXPECT_EQ(labels(62, 62), 1);
  EXPECT_EQ(labels(137, 137), 1);
  EXPECT_EQ(labels(97, 100), 1);
}

TEST(Edges, AWashHasAnEdgeWipingHasNone) {
  Sheets s({480, 320}, 9);
  for (int i = 0; i < s.drawing.rows; ++i) {
    for (int j = 0; j < s.drawing.cols; ++j) {
      s.drawing(i, j) *= static_cast<float>(std::pow(10, -0.03 * std::sin(j / kPxPerMm / 12.0)));
    }
  }
  wash(s.drawing, 0.1, [](double x, double) { return x > 40; });
  const Cells c = s.cells();
  cv::Mat1i labels(c.proof.size(), 0);
  labels.colRange(static_cast<int>(20 / c.mm), static_cast<int>(40 / c.mm)) = 1;
  labels.colRange(static_cast<int>(40 / c.mm), labels.cols) = 2;
  const std::vector<int> joined = join_without_edge(labels, 3, c, {});
  EXPECT_EQ(joined[0], joined[1]);
  EXPECT_NE(joined[1], joined[2]);
  const auto sides = border_sides(labels, c, {});
  EXPECT_NEAR(sides.at({1, 2}).jump(), 0.1, 0.02);
  EXPECT_NEAR(sides.at({0, 1}).length_mm, 40, 1.5);
}

TEST(Lines, ADrawnStrokeIsALineAnEtchedOneIsNot) {
  Sheets s({480, 400}, 10, 0.6F);
  const auto along = [](double y0, double half) {
    return [=](double x, double y) {
      return x > 10 && x < 45 && std::abs(y - y0 - 2 * std::sin(x / 8)) < half;
    };
  };
  wash(s.proof, 1.0, along(15, 0.2));  // etched: on both sheets, 0.1 mm off
  wash(s.drawing, 1.0, along(15.1, 0.2));
  wash(s.drawing, 0.8, along(30, 0.4));                                       // drawn
  wash(s.drawing, 0.3, [](double x, double y) { return x > 35 && y > 38; });  // an area
  const Cells c = s.cells();
  cv::Mat1i one(c.proof.size(), 0);
  one(cv::Rect(cv::Point(static_cast<int>(35 / c.mm), static_cast<int>(38 / c.mm)),
               cv::Point(one.cols, one.rows))) = 1;
  const DrawnLines lines = find_lines(c, one, 2, {}, 4);
  ASSERT_EQ(lines.count, 1);
  const auto row = [&](double y) { return static_cast<int>(y / c.mm); };
  const int col = static_cast<int>(25 / c.mm);
  EXPECT_EQ(lines.group(row(30 + 2 * std::sin(25 / 8.0)), col), 0);
  EXPECT_EQ(lines.group(row(15 + 2 * std::sin(25 / 8.0)), col), -1);
  EXPECT_EQ(lines.group(row(45), static_cast<int>(50 / c.mm)), -1);
  const cv::Mat1i fine = fine_lines(lines, c.factor, s.proof.size());
  const double mm2 = cv::countNonZero(fine >= 0) / kPxPerMm / kPxPerMm;
  EXPECT_NEAR(mm2, 0.8 * 36, 12);
}

TEST(Lines, AThickMarkIsAnArea) {
  Sheets s({480, 400}, 11, 0.6F);
  wash(s.drawing, 0.5, [](double x, double y) {
    return x > 10 && x < 50 && std::abs(y - 25) < 2.5;
  });
  const Cells c = s.cells();
  EXPECT_EQ(find_lines(c, cv::Mat1i(c.proof.size(), 0), 1, {}, 4).count, 0);
}

TEST(Numbers, LargestFirstThenKeptByOverlap) {
  cv::Mat1i labels(60, 100, -1);
  labels(cv::Rect(0, 0, 20, 20)) = 0;
  labels(cv::Rect(30, 0, 60, 50)) = 1;
  const std::vector<int> first = number_regions(labels, 2, {});
  EXPECT_EQ(first, (std::vector<int>{2, 1}));
  cv::Mat1w previous(labels.size(), static_cast<ushort>(0));
  previous(cv::Rect(0, 0, 20, 20)) = 7;
  previous(cv::Rect(30, 0, 60, 50)) = 3;
  cv::Mat1i moved(labels.size(), -1);
  moved(cv::Rect(2, 2, 20, 20)) = 1;   // was 7
  moved(cv::Rect(32, 0, 60, 50)) = 0;  // was 3
  moved(cv::Rect(0, 40, 10, 10)) = 2;  // new
  EXPECT_EQ(number_regions(moved, 3, previous), (std::vector<int>{3, 7, 8}));
}

TEST(Numbers, HalvesOfASplitRegionDoNotShareANumber) {
  cv::Mat1w previous(40, 80, static_cast<ushort>(4));
  cv::Mat1i labels(40, 80, 0);
  labels.colRange(50, 80) = 1;
  EXPECT_EQ(number_regions(labels, 2, previous), (std::vector<int>{4, 5}));
}

TEST(Tidy, SpecksGoToWhatSurroundsThem) {
  cv::Mat1i labels(40, 40, 0);
  labels(cv::Rect(10, 10, 3, 3)) = 1;
  labels(cv::Rect(20, 20, 10, 10)) = 1;
  remove_specks(labels, 20);
  EXPECT_EQ(labels(11, 11), 0);
  EXPECT_EQ(labels(25, 25), 1);
  std::vector<RegionKind> kind{RegionKind::area, RegionKind::area, RegionKind::soft};
  labels.setTo(2, labels == 1);
  drop_empty(labels, kind);
  EXPECT_EQ(kind, (std::vector<RegionKind>{RegionKind::area, RegionKind::soft}));
  EXPECT_EQ(labels(25, 25), 1);
}

// A mask that runs along an area leaves nothing that no brush fits into, and no more goes.
TEST(TidyLabels, NoSliverStaysBesideALeftPlace) {
  cv::Mat1i labels(200, 200, -1);
  labels(cv::Rect(50, 40, 100, 100)).setTo(0);
  labels(cv::Rect(0, 180, 200, 3)).setTo(1);  // far from the mask
  cv::Mat1b leave(200, 200, static_cast<uchar>(0));
  leave(cv::Rect(60, 30, 80, 120)).setTo(255);  // leaves strips of 10 on both sides
  leave(cv::Rect(60, 30, 80, 60)).setTo(0);     // and 50 above
  labels.setTo(-1, leave);
  drop_slivers_beside(labels, leave, 2, 20);
  EXPECT_EQ(labels(130, 55), -1);
  EXPECT_EQ(labels(130, 145), -1);
  EXPECT_EQ(labels(60, 100), 0);
  EXPECT_EQ(labels(45, 55), 0);
  EXPECT_EQ(labels(181, 100), 1);
  EXPECT_GT(cv::countNonZero(labels == 0), 4900);
  cv::Mat1i lines(200, 200, -1);
  lines(cv::Rect(52, 40, 3, 100)).setTo(2);
  drop_slivers_beside(lines, leave, 2, 20);
  EXPECT_EQ(cv::countNonZero(lines == 2), 300) << "drawn lines are narrow";
}

}  // namespace
}  // namespace rebite::tone

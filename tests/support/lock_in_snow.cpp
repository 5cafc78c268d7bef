#include "tests/support/lock_in_snow.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "tests/support/brush.h"
#include "tests/support/sheet_render.h"
#include "tests/support/tone_layers.h"
#include "tests/support/waves.h"

namespace rebite::maker {
namespace {

constexpr SizeMm plate_size{150, 110};
constexpr double tone_px_per_mm = 10;
constexpr double line_px_per_mm = 14;
constexpr double truth_px_per_mm = 4;

double ramp(double from, double to, double x) {  // 0 at from, 1 at to, smooth
  const double t = std::clamp((x - from) / (to - from), 0.0, 1.0);
  return t * t * (3 - 2 * t);
}

// Every outline of the picture, so that bite, rework and labels use the same.
struct Outlines {
  Shape sky{{-2, -2}, {152, -2}, {152, 52}, {-2, 52}};
  Shape hills = curve_through({{-3, 47},
                               {10, 44},
                               {26, 43},
                               {44, 46.5},
                               {60, 45},
                               {78, 47.5},
                               {96, 46.5},
                               {112, 45},
                               {130, 46},
                               {153, 43},
                               {153, 57},
                               {-3, 57}});
  Shape wood = curve_through({{94, 49},
                              {99, 44.5},
                              {105, 45.5},
                              {111, 40.5},
                              {118, 43},
                              {126, 38.5},
                              {133, 41},
                              {142, 37},
                              {148, 39},
                              {153, 36},
                              {154, 55},
                              {120, 55},
                              {94, 54}});
  // Snow from the horizon down.
  Shape land = curve_through({{-3, 53},
                              {16, 52.5},
                              {38, 54},
                              {58, 53},
                              {77, 53.5},
                              {98, 53},
                              {120, 54.5},
                              {153, 52},
                              {156, 114},
                              {-6, 114}});
  Shape cottage_wall{{11, 41}, {38, 40}, {38, 55.5}, {11, 56}};
  Shape roof{{7.5, 42.6}, {14, 31.2}, {34.5, 30.4}, {41, 41.2}};
  Shape chimney{{27, 25.5}, {31, 25.4}, {31, 32}, {27, 32}};
  Shape window{{16.5, 44.2}, {22.5, 44}, {22.5, 50}, {16.5, 50.2}};
  Shape door{{28.5, 45.5}, {32.7, 45.3}, {32.7, 55.8}, {28.5, 56}};
  Shape left_leaf{{58, 55}, {77, 57.5}, {77, 78}, {58, 76.5}};
  Shape right_leaf{{77, 57.5}, {96, 55}, {96, 76.5}, {77, 78}};
  Shape left_beam{{62, 52.6}, {62, 56}, {25, 51.9}, {25, 48.9}};
  Shape right_beam{{92, 52.6}, {92, 56}, {131, 51.9}, {131, 48.9}};
  Shape left_wall{{50, 62.5}, {58, 60.5}, {58, 76.5}, {29, 112}, {5, 112}, {9, 105}};
  Shape right_wall{{96, 60.5}, {104, 62.5}, {147, 104}, {150, 112}, {127, 112}, {96, 76.5}};
  Shape water{{58, 76.2}, {77, 77.8}, {96, 76.2}, {127.5, 112}, {28.5, 112}};
  // Thin ice, broken into plates.
  std::vector<Shape> ice{
      by_hand({{33, 106},
               {36.5, 100.5},
               {43, 98.6},
               {47.5, 99.8},
               {54, 99},
               {55.5, 102.4},
               {50.5, 105.6},
               {44, 106},
               {39.5, 109.2}},
              0.5,
              51),
      by_hand({{97.5, 94},
               {103, 91.6},
               {106, 93.2},
               {110.4, 98.4},
               {115.5, 102.6},
               {108.8, 103.6},
               {103.6, 100.4},
               {99.2, 99.4}},
              0.5,
              52),
      by_hand(
          {{53.5, 85.6}, {57.6, 82.8}, {63, 82.4}, {67.5, 84}, {62.4, 86}, {58.8, 87.8}}, 0.4, 53)};
  Shape near_bank = curve_through(
      {{-4, 84}, {8, 80}, {22, 81}, {32, 76}, {30, 84}, {18, 97}, {8, 106.5}, {-4, 113}}, true);
  Shape far_bank = curve_through(
      {{104, 58}, {118, 57}, {136, 58.5}, {156, 57}, {156, 96}, {146, 99}, {128, 83}, {112, 67}},
      true);
  Shape bollard{{118.2, 77.5}, {123.2, 77.5}, {123.8, 88.5}, {117.6, 88.5}};
  // Snow lying on things.
  std::vector<Shape> caps{
      {{24.6, 49.2}, {25, 47.7}, {40, 49.4}, {62, 51.6}, {62.3, 53.1}},
      {{131.4, 49.2}, {131, 47.7}, {116, 49.4}, {92, 51.6}, {91.7, 53.1}},
      {{57.6, 55.4}, {58, 53.9}, {77, 56.2}, {96, 53.9}, {96.4, 55.4}, {77, 58.2}},
      ellipse_at({120.7, 77.2}, 3.3, 1.5),
      {{26.6, 25.8}, {26.8, 24.6}, {31.2, 24.5}, {31.4, 25.7}}};
  // White-painted ends of the balance beams.
  std::vector<Shape> beam_ends{{{25, 48.9}, {25, 51.9}, {28.4, 52.3}, {28.4, 49.3}},
                               {{131, 48.9}, {131, 51.9}, {127.6, 52.3}, {127.6, 49.3}}};
};

// ---- state II: what has been bitten ----

cv::Mat1f bitten_minutes(const Sheet& sheet, const Outlines& at) {
  cv::Mat1f t = sheet.blank();
  const Waves patchy(11, 9, 40), streak(12, 2.2, 9), drift(13, 12, 50);
  const auto fill = [&](const Shape& shape, std::uint64_t seed, double soft, double minutes) {
    sheet.paint(t, sheet.mask(by_hand(shape, 0.22, seed), soft), [&](double x, double y) {
      return minutes * (1 + 0.10 * patchy.unit_peak(x, y));
    });
  };
  // Sky: bitten in feathered stages, darker above, a light band over the hills, slow clouds.
  sheet.paint(t, sheet.mask(at.sky), [&](double x, double y) {
    const double fall = std::pow(1 - ramp(-10, 50, y), 1.15);
    const double cloud = 1 + 0.35 * drift.unit_peak(0.35 * x, 1.6 * y + 0.05 * x);
    return std::max(
        0.0,
        (0.06 + 0.95 * fall) * cloud *
            (1 - 0.35 * std::exp(-std::pow((x - 92) / 38, 2) - std::pow((y - 44) / 15, 2))));
  });
  // Smoke: lighter than the sky, drifting right.
  for (int i = 0; i < 26; ++i) {
    const double s = i / 25.0;
    const cv::Point2d p{29 + 26 * s * s + 1.6 * std::sin(7 * s), 24.5 - 20 * s};
    const cv::Mat1f puff = sheet.mask(ellipse_at(p, 0.9 + 3.2 * s, 0.8 + 1.7 * s), 0.5 + 0.9 * s);
    t = t.mul(1.F - (0.34F - 0.2F * static_cast<float>(s)) * puff);
  }
  fill(at.hills, 21, 0.45, 0.42);
  fill(at.wood, 22, 0.7, 0.75);
  // Snow: bare metal, with shade in the hollows.
  sheet.paint(t, sheet.mask(by_hand(at.land, 0.25, 23), 0.12), [&](double x, double y) {
    const double hollow = std::max(0.0, drift.unit_peak(0.8 * x + 20, 1.7 * y) - 0.18);
    return 0.16 * hollow;
  });
  sheet.paint(t, sheet.mask(at.near_bank, 1.6), [&](double x, double y) {
    return 0.36 * (1 + 0.25 * drift.unit_peak(x, y));
  });
  sheet.paint(t, sheet.mask(at.far_bank, 2.2), [&](double x, double y) {
    return 0.03 + 0.5 * ramp(102, 152, x) * (0.35 + 0.65 * ramp(96, 60, y)) *
                      (1 + 0.2 * drift.unit_peak(x, y));
  });
  // Shade under the balance beams and beside the house.
  sheet.paint(t,
              sheet.mask({{24, 56.4}, {58, 59.6}, {57, 61.6}, {25, 58.6}}, 0.6),
              [](double, double) { return 0.4; });
  sheet.paint(t,
              sheet.mask({{97, 59.6}, {131, 56.4}, {132, 58.4}, {98, 61.6}}, 0.6),
              [](double, double) { return 0.4; });
  sheet.paint(t,
              sheet.mask({{38, 54}, {50, 56.5}, {40, 58.5}, {12, 58}, {12, 55}}, 0.8),
              [](double, double) { return 0.35; });
  // Cottage.
  fill(at.cottage_wall, 31, 0, 1.5);
  fill(at.chimney, 33, 0, 2.0);
  sheet.paint(t, sheet.mask(by_hand(at.roof, 0.2, 32)), [&](double x, double y) {
    return 0.05 + 0.12 * ramp(30, 43, y) * ramp(24, 8, x);
  });
  fill(at.door, 34, 0, 4.0);
  fill(at.window, 35, 0, 0.45);
  // Stone.
  sheet.paint(t, sheet.mask(by_hand(at.left_wall, 0.2, 41)), [&](double x, double y) {
    return (1.3 + 1.3 * ramp(20, 58, x)) * (1 + 0.16 * patchy.unit_peak(2.5 * x, 2.5 * y));
  });
  sheet.paint(t, sheet.mask(by_hand(at.right_wall, 0.2, 42)), [&](double x, double y) {
    return 7.5 * (1 + 0.10 * patchy.unit_peak(2.5 * x, 2.5 * y));
  });
  // Water: streaked along the level, darker below the gate, paler where the sky lies in it.
  sheet.paint(t, sheet.mask(at.water), [&](double x, double y) {
    const double depth = (y - 76) / 34;
    const double pale =
        std::exp(-std::pow((x - 77 - 4 * std::sin(y * 0.35)) / (7 + 13 * depth), 2)) *
        ramp(88, 101, y);
    const double gate = ramp(96, 79, y);
    return (1.5 + 1.7 * gate - 0.75 * pale) *
           (1 + 0.20 * streak.unit_peak(0.22 * x, 1.9 * y / (0.6 + depth)));
  });
  for (size_t i = 0; i < at.ice.size(); ++i) fill(at.ice[i], 51 + i, 0, 0.24);
  // Gate and beams.
  for (const auto* leaf : {&at.left_leaf, &at.right_leaf}) {
    sheet.paint(t, sheet.mask(by_hand(*leaf, 0.12, 61)), [&](double x, double y) {
      const double plank = std::fmod(x + 0.3 * patchy.unit_peak(x, y), 3.1) < 0.35 ? 1.5 : 1.0;
      return (3.0 + 1.2 * ramp(58, 78, y)) * plank * (1 + 0.08 * patchy.unit_peak(x, y));
    });
  }
  for (const auto* beam : {&at.left_beam, &at.right_beam}) fill(*beam, 63, 0, 3.4);
  for (const auto& end : at.beam_ends) fill(end, 64, 0, 0.12);
  fill(at.bollard, 71, 0, 9.0);
  for (const auto& cap : at.caps) fill(cap, 66, 0, 0.0);
  // Footprints along the left bank.
  for (int i = 0; i < 15; ++i) {
    const double s = i / 14.0;
    const cv::Point2d p{31 - 27 * s + (i % 2 == 0 ? 0.9 : -0.7) * (0.6 + s),
                        60.5 + 16 * s * (0.6 + 0.4 * s)};
    fill(ellipse_at(p, 0.45 + 0.5 * s, 0.25 + 0.25 * s),
         80U + static_cast<std::uint64_t>(i),
         0,
         0.7);
  }
  return t;
}

// ---- etched line work ----

void etch_stone(const Sheet& sheet, cv::Mat1f& lines) {
  // Courses run towards the gate; joints stand between them, staggered.
  for (int side = 0; side < 2; ++side) {
    const auto at = [side](double along, double down) {  // 0..1 from near to far, from top to foot
      const cv::Point2d top = cv::Point2d{7, 106} + along * cv::Point2d{47, -44};
      const cv::Point2d foot = cv::Point2d{27, 112} + along * cv::Point2d{31, -35.5};
      const cv::Point2d p = top + down * (foot - top);
      return side == 0 ? p : cv::Point2d{154 - p.x, p.y};
    };
    const auto seed = [side](int k) { return static_cast<std::uint64_t>(90 + k + 40 * side); };
    constexpr int courses = 5;
    for (int k = 1; k < courses; ++k) {
      const double f = static_cast<double>(k) / courses;
      sheet.line(lines, by_hand({at(0, f), at(1, f)}, 0.3, seed(k), false), 0.24, 0.11);
    }
    for (int k = 0; k < courses; ++k) {
      for (int j = 0; j < 9; ++j) {
        // Equal stones look shorter the farther they lie.
        const double u = (j + (k % 2 == 0 ? 0.75 : 0.25)) / 9.2;
        const double along = 1.75 * u / (1 + 0.75 * u);
        const double from = (k + 0.06) / courses, to = (k + 0.94) / courses;
        sheet.line(
            lines, by_hand({at(along, from), at(along, to)}, 0.2, seed(20 + j), false), 0.2, 0.12);
      }
    }
  }
}

cv::Mat1f etched_lines(const Sheet& sheet, const Outlines& at) {
  cv::Mat1f lines = sheet.blank();
  const auto tree =
      [&](cv::Point2d foot, double height, double trunk, double lean, std::uint64_t seed) {
        for (const auto& b : bare_tree(foot, height, trunk, lean, seed)) {
          sheet.line(lines, b.path, std::max(b.width_from_mm, 0.11), std::max(b.width_to_mm, 0.09));
        }
      };
  tree({137.5, 63}, 56, 2.3, -0.06, 5);
  tree({113, 57}, 36, 1.2, 0.04, 9);
  tree({3.5, 58}, 34, 1.1, 0.10, 14);
  Chance chance(77);
  for (int i = 0; i < 34; ++i) {  // saplings of the wood
    const double x = chance.uniform(96, 149), h = chance.uniform(5, 11);
    tree({x, 53.5}, h * 1.3, 0.22, 0.05 * chance.normal(), 200U + static_cast<std::uint64_t>(i));
  }
  const auto draw = [&](const Shape& s, double w, std::uint64_t seed) {
    sheet.line(lines, by_hand(s, 0.12, seed, false), w, w * 0.8);
  };
  // Cottage: eaves, window bars, door.
  draw({{7.5, 42.6}, {41, 41.2}}, 0.3, 1);
  draw({{14, 31.2}, {7.5, 42.6}}, 0.2, 2);
  draw({{34.5, 30.4}, {41, 41.2}}, 0.2, 3);
  draw({{19.5, 44.1}, {19.5, 50.1}}, 0.28, 4);
  draw({{16.5, 47.1}, {22.5, 47}}, 0.28, 5);
  draw({{16.4, 44.1}, {22.6, 43.9}, {22.6, 50.1}, {16.4, 50.3}, {16.4, 44.1}}, 0.3, 6);
  // Gate: mitre post, rails, planks, handrail.
  draw({{77, 57.8}, {77, 77.6}}, 0.5, 10);
  for (const double f : {0.18, 0.55, 0.9}) {
    draw({{58, 55 + 21.5 * f}, {77, 57.5 + 20.5 * f}}, 0.3, 11);
    draw({{77, 57.5 + 20.5 * f}, {96, 55 + 21.5 * f}}, 0.3, 12);
  }
  draw({{59.5, 49.6}, {77, 51.8}, {94.5, 49.6}}, 0.3, 13);
  for (const double x : {59.5, 65.3, 71.1, 77.0, 82.9, 88.7, 94.5}) {
    const double y = 51.8 - std::abs(x - 77) * 0.126;
    draw({{x, y}, {x, y + 4.4}}, 0.25, 14);
  }
  etch_stone(sheet, lines);
  const cv::Mat1f bollard = sheet.mask(at.bollard), cap = sheet.mask(at.caps[3]);
  lines = lines.mul(1.F - bollard).mul(1.F - cap);
  // Post and wire along the right bank.
  for (int i = 0; i < 6; ++i) {
    const double s = i / 5.0, x = 107 + 40 * s * (0.55 + 0.45 * s),
                 y = 60.5 + 7.5 * s * s + 1.5 * s;
    draw({{x, y}, {x + 0.15, y - 3.4 - 4.2 * s}},
         0.35 + 0.4 * s,
         40U + static_cast<std::uint64_t>(i));
  }
  sheet.line(lines,
             curve_through({{107, 58.2}, {114, 58.6}, {124, 59.6}, {136, 61.5}, {147, 63.6}}),
             0.1,
             0.16);
  // Rooks.
  for (const auto& p : {cv::Point2d{66, 16}, {71, 13.2}, {74.5, 18}, {84, 11}, {79, 21}}) {
    sheet.line(
        lines, curve_through({{p.x - 1.5, p.y - 0.5}, {p.x - 0.6, p.y - 0.8}, p}), 0.1, 0.32);
    sheet.line(
        lines, curve_through({p, {p.x + 0.7, p.y - 0.9}, {p.x + 1.7, p.y - 0.35}}), 0.32, 0.1);
  }
  // Reeds at the foot of the left wall.
  for (int i = 0; i < 26; ++i) {
    const double x = chance.uniform(31, 44), y = 109 - (x - 31) * 1.02 + chance.uniform(-1, 1.5);
    const double h = chance.uniform(3, 8), lean = chance.uniform(-1.6, 2.2);
    sheet.line(lines,
               curve_through({{x, y}, {x + lean * 0.25, y - h * 0.6}, {x + lean, y - h}}),
               0.2,
               0.07);
  }
  return lines;
}

// ---- the drawing for state III ----

Rework painted_over(const Sheet& sheet, const Outlines& at) {
  Rework r;
  r.wash_density = sheet.blank();
  r.opaque_alpha = sheet.blank();
  r.opaque_density = sheet.blank();
  const Waves pool(31, 6, 30);
  // Ink wash: pools a little, as a wash does.
  const auto wash =
      [&](const Shape& shape, double soft, const std::function<double(double, double)>& d) {
        const cv::Mat1f mask = sheet.mask(shape, soft);
        cv::Mat1f layer = sheet.blank();
        sheet.paint(layer, mask, [&](double x, double y) {
          return d(x, y) * (1 + 0.06 * pool.unit_peak(x, y));
        });
        r.wash_density += layer;
      };
  const auto white = [&](const Shape& shape, double soft, double alpha, double density) {
    const cv::Mat1f mask = sheet.mask(shape, soft);
    sheet.paint(r.opaque_alpha, mask, [&](double x, double y) {
      return alpha * (1 + 0.05 * pool.unit_peak(x, y));
    });
    sheet.paint(r.opaque_density, mask, [&](double, double) { return density; });
  };
  wash({{-3, -3}, {153, -3}, {153, 47}, {-3, 47}}, 1.5, [](double x, double y) {
    return 0.44 * std::pow(1 - ramp(-6, 46, y), 1.3) *
           (1 - 0.25 * std::exp(-std::pow((x - 92) / 45, 2)));
  });
  wash(at.hills, 0.4, [](double, double y) { return 0.16 * ramp(57, 48, y); });
  wash(at.cottage_wall, 0.15, [](double, double) { return 0.28; });
  wash(at.door, 0.1, [](double, double) { return 0.55; });
  wash(at.left_leaf, 0.15, [](double, double) { return 0.36; });
  wash(at.right_leaf, 0.15, [](double, double) { return 0.36; });
  wash(
      {{62, 53.6}, {62, 56}, {28.4, 52.2}, {28.4, 50.4}}, 0.12, [](double, double) { return 0.3; });
  wash({{92, 53.6}, {92, 56}, {127.6, 52.2}, {127.6, 50.4}}, 0.12, [](double, double) {
    return 0.3;
  });
  wash(at.water, 0.2, [](double x, double y) {
    const double pale = std::exp(-std::pow((x - 77) / 14, 2)) * ramp(86, 104, y);
    return 0.58 - 0.34 * pale;
  });
  wash(at.far_bank, 2.5, [](double x, double y) {
    return 0.26 * ramp(108, 150, x) * (0.4 + 0.6 * ramp(96, 60, y));
  });
  for (const auto& floe : at.ice) white(floe, 0.15, 0.8, 0.0);
  // The window pane by pane: the etched bars are left.
  for (const double x : {16.6, 19.75}) {
    for (const double y : {44.3, 47.35}) {
      white({{x, y}, {x + 2.65, y - 0.05}, {x + 2.65, y + 2.55}, {x, y + 2.6}}, 0.08, 0.95, 0.0);
    }
  }
  white(at.near_bank, 1.2, 0.75, 0.0);
  white(at.right_wall, 0.25, 0.42, 0.12);
  // The brush goes round what stands in front: snow caps, beam ends, bollard, roof.
  const auto leave = [&](const Shape& shape, bool wash_too) {
    const cv::Mat1f keep = sheet.mask(shape, 0.08);
    for (int row = 0; row < keep.rows; ++row) {
      for (int c = 0; c < keep.cols; ++c) {
        if (wash_too) r.wash_density(row, c) *= 1 - keep(row, c);
        r.opaque_alpha(row, c) *= 1 - keep(row, c);
      }
    }
  };
  for (const auto& cap : at.caps) leave(cap, true);
  for (const auto& end : at.beam_ends) leave(end, true);
  leave(at.bollard, true);
  leave(at.roof, true);
  for (const auto& floe : at.ice) {
    const cv::Mat1f dry = sheet.mask(floe, 0.1);
    r.wash_density = r.wash_density.mul(1.F - dry);
  }
  // Brush: more branches on the great tree, a rope on the bollard.
  cv::Mat1f strokes = sheet.blank();
  for (const auto& b : bare_tree({137, 44}, 34, 0.9, -0.75, 21)) {
    if (b.width_from_mm > 0.1) sheet.line(strokes, b.path, std::max(0.3, b.width_from_mm), 0.22);
  }
  sheet.line(
      strokes, curve_through({{118.4, 80.5}, {113, 87.5}, {106, 90.5}, {98, 89}}), 0.55, 0.4);
  for (int row = 0; row < strokes.rows; ++row) {
    for (int c = 0; c < strokes.cols; ++c) {
      const float s = strokes(row, c);
      r.wash_density(row, c) += 1.1F * s;
      r.opaque_alpha(row, c) *= 1 - s;
    }
  }
  return r;
}

// ---- truth ----

cv::Mat1w label_map(const Outlines& at) {
  const Sheet sheet(plate_size, truth_px_per_mm);
  cv::Mat1w labels(sheet.blank().size(), std::uint16_t{1});
  const auto mark = [&](const Shape& shape, LockArea area) {
    const cv::Mat1f mask = sheet.mask(shape);
    for (int r = 0; r < labels.rows; ++r) {
      for (int c = 0; c < labels.cols; ++c) {
        if (mask(r, c) > 0.5F) labels(r, c) = static_cast<std::uint16_t>(area);
      }
    }
  };
  mark(at.sky, LockArea::sky);
  mark(at.hills, LockArea::hills);
  mark(at.wood, LockArea::wood);
  mark(at.land, LockArea::ground);
  mark(at.near_bank, LockArea::near_bank);
  mark(at.far_bank, LockArea::far_bank);
  mark(at.cottage_wall, LockArea::cottage_wall);
  mark(at.chimney, LockArea::cottage_wall);
  mark(at.roof, LockArea::cottage_roof);
  mark(at.window, LockArea::window);
  mark(at.left_wall, LockArea::left_wall);
  mark(at.right_wall, LockArea::right_wall);
  mark(at.water, LockArea::water);
  for (const auto& floe : at.ice) mark(floe, LockArea::ice);
  mark(at.left_leaf, LockArea::gate);
  mark(at.right_leaf, LockArea::gate);
  mark(at.left_beam, LockArea::beams);
  mark(at.right_beam, LockArea::beams);
  mark(at.bollard, LockArea::bollard);
  return labels;
}

}  // namespace

TrueCurve lock_curve() {
  TrueCurve curve;
  curve.d0 = 0.045;
  curve.d1 = 1.40;
  curve.tau = 5.2;
  curve.beta = 0.82;
  curve.solid = 1.55;
  return curve;
}

WedgeSpec lock_wedge() {
  WedgeSpec wedge;
  wedge.minutes = {0, 0.25, 0.5, 1, 2, 4, 8, 16, 30};
  wedge.step = {13, 26};
  wedge.curve = lock_curve();
  wedge.ground_seed = 1702;
  return wedge;
}

Scene lock_in_snow() {
  const Outlines at;
  const Sheet tones(plate_size, tone_px_per_mm), lines(plate_size, line_px_per_mm);
  Scene scene;
  scene.px_per_mm = truth_px_per_mm;
  scene.plate.size = plate_size;
  scene.plate.curve = lock_curve();
  Bite bite;
  bite.minutes = bitten_minutes(tones, at);
  bite.ground_seed = 1701;
  bite.grain_mm = 0.1;
  scene.plate.bites.push_back(bite);
  scene.plate.lines = etched_lines(lines, at);
  scene.rework = painted_over(tones, at);
  scene.labels = label_map(at);
  scene.printed_density = printed_density(scene.plate, truth_px_per_mm);
  scene.wanted_density = mean_density(
      PrintedPlate(scene.plate, {}, &scene.rework, 0.04), plate_size, truth_px_per_mm, false);
  scene.strokes = cv::Mat1b(scene.labels.size(), std::uint8_t{0});
  const PlateMap etched(scene.plate.lines, plate_size, 0);
  for (int r = 0; r < scene.strokes.rows; ++r) {
    for (int c = 0; c < scene.strokes.cols; ++c) {
      float most = 0;
      for (int k = 0; k < 9; ++k) {
        most = std::max(most,
                        etched.at(static_cast<float>((c + (k % 3 + 0.5) / 3) / truth_px_per_mm),
                                  static_cast<float>((r + (k / 3 + 0.5) / 3) / truth_px_per_mm)));
      }
      if (most > 0.05F) scene.strokes(r, c) = 255;
    }
  }
  scene.areas = measure_areas(scene);
  for (const auto soft : {LockArea::sky, LockArea::far_bank, LockArea::ground}) {
    scene.areas[static_cast<size_t>(soft) - 1].soft = true;
  }
  return scene;
}

}  // namespace rebite::maker

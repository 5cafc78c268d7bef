#include <algorithm>
#include <cmath>

#include "tests/support/lock_outlines.h"

namespace rebite::maker {
namespace {

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

}  // namespace

cv::Mat1f lock_lines(const Sheet& sheet, const LockOutlines& at) {
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

}  // namespace rebite::maker

#include "tests/sheets/made_scene.h"

#include <cmath>
#include <numbers>

namespace rebite::maker {
namespace {

using plan::Action;
using Points = std::vector<cv::Point2d>;

Points ellipse(double x, double y, double rx, double ry, double wave = 0) {
  Points p;
  for (int i = 0; i < 90; ++i) {
    const double a = 2 * std::numbers::pi * i / 90;
    const double k = 1 + wave * std::sin(5 * a + 1);
    p.emplace_back(x + rx * k * std::cos(a), y + ry * k * std::sin(a));
  }
  return p;
}

Points box(double x0, double y0, double x1, double y1) {
  return {{x0, y0}, {x1, y0}, {x1, y1}, {x0, y1}};
}

// A band across the plate with a swaying upper and lower edge.
Points band(double top, double bottom, double sway) {
  Points p;
  for (int x = 6; x <= 144; x += 2) p.emplace_back(x, top + sway * std::sin(x / 17.0));
  for (int x = 144; x >= 6; x -= 2) p.emplace_back(x, bottom + sway * std::sin(x / 17.0));
  return p;
}

}  // namespace

std::vector<SceneShape> lock_scene() {
  return {
      {band(5, 19, 1.2), Action::bite, 0.30, 0.72},                             // 1 upper sky
      {band(19, 31, 1.2), Action::bite, 0.22, 0.46},                            // 2 middle sky
      {band(31, 42, 1.2), Action::bite, 0.14, 0.26},                            // 3 low sky
      {ellipse(24, 42, 15, 8, 0.12), Action::bite, 0.35, 0.95},                 // 4 trees
      {box(98, 34, 128, 60), Action::bite, 0.40, 0.80},                         // 5 lock house
      {box(106, 41, 114, 51), Action::scrape, 0.62, 0.10},                      // 6 lit window
      {{{38, 106}, {112, 106}, {92, 66}, {62, 66}}, Action::bite, 0.45, 1.20},  // 7 water
      {ellipse(83, 86, 7, 10, 0.1), Action::burnish, 0.48, 0.36},  // 8 light on the water
      {{{46, 46}, {52, 46}, {52, 66}, {70, 66}, {70, 73}, {46, 73}}, Action::bite, 0.30, 1.05},
      {box(70, 62, 88, 73), Action::beyond, 0.55, 1.44},                       // 10 gate's shadow
      {{{92, 63}, {146, 55}, {146, 56}, {92, 64.2}}, Action::line, 0.5, 0.9},  // 11 beam
      {ellipse(24, 62, 15, 6), Action::soft, 0.10, 0.28},                      // 12 mist
      {{{6, 74}, {34, 80}, {28, 106}, {6, 106}}, Action::bite, 0.08, 0.19},    // 13 bank's shade
      {{{144, 72}, {118, 80}, {124, 106}, {144, 106}}, Action::bite, 0.08, 0.24},
      {ellipse(106, 74, 1.5, 1.5), Action::bite, 0.2, 1.1},  // 15-17 posts
      {ellipse(111, 75, 1.7, 1.7), Action::bite, 0.2, 1.1},
      {ellipse(117, 76, 1.9, 1.9), Action::bite, 0.2, 1.0},
      {ellipse(134, 48, 4, 7, 0.08), Action::burnish, 0.30, 0.22},  // 18 moonlit snow
  };
}

std::vector<SceneShape> one_l() {
  return {{{{40, 20}, {55, 20}, {55, 75}, {105, 75}, {105, 90}, {40, 90}}, Action::bite, 0.1, 0.8}};
}

}  // namespace rebite::maker

#include "tests/support/lock_in_snow.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "tests/support/brush.h"
#include "tests/support/lock_outlines.h"
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

// ---- state II: what has been bitten ----

cv::Mat1f bitten_minutes(const Sheet& sheet, const LockOutlines& at) {
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

// ---- the drawing for state III ----

Rework painted_over(const Sheet& sheet, const LockOutlines& at) {
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

cv::Mat1w label_map(const LockOutlines& at) {
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
  const LockOutlines at;
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
  scene.plate.lines = lock_lines(lines, at);
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

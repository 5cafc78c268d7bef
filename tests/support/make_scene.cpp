#include <algorithm>
#include <array>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "tests/support/chance.h"
#include "tests/support/plate_maker.h"
#include "tests/support/sheet_render.h"
#include "tests/support/tone_layers.h"
#include "tests/support/waves.h"

namespace rebite::maker {
namespace {

constexpr double scene_px_per_mm = 4;
constexpr double line_px_per_mm = 12;

int px(double mm, double scale = scene_px_per_mm) {
  return static_cast<int>(std::lround(mm * scale));
}

// Areas: label 1 is the sky, the others are cells of a bent Voronoi pattern below the horizon.
cv::Mat1w lay_out(Chance chance, std::uint64_t seed, SizeMm size, int cells, double scale) {
  const WaveTable bend_x(Waves(mix(seed, 1), 25, 70), size.width, size.height);
  const WaveTable bend_y(Waves(mix(seed, 2), 25, 70), size.width, size.height);
  const WaveTable skyline(Waves(mix(seed, 3), 30, 90), size.width, 0);
  const double horizon = size.height * chance.uniform(0.24, 0.34);
  std::vector<cv::Point2d> sites;
  // Best of 12 candidates: sites lie well apart, so that few areas are slivers.
  for (int i = 0; i < cells; ++i) {
    cv::Point2d best;
    double best_distance = -1;
    for (int k = 0; k < 12; ++k) {
      const cv::Point2d p{chance.uniform(0, size.width), chance.uniform(horizon, size.height)};
      double nearest = 1e9;
      for (const auto& s : sites) nearest = std::min(nearest, std::hypot(s.x - p.x, s.y - p.y));
      if (nearest > best_distance) {
        best_distance = nearest;
        best = p;
      }
    }
    sites.push_back(best);
  }
  cv::Mat1w labels(px(size.height, scale), px(size.width, scale));
  for (int r = 0; r < labels.rows; ++r) {
    for (int c = 0; c < labels.cols; ++c) {
      const double x = (c + 0.5) / scale, y = (r + 0.5) / scale;
      if (y < horizon + 2.5 * skyline.at(x, 0)) {
        labels(r, c) = 1;
        continue;
      }
      const double u = x + 5 * bend_x.at(x, y), v = y + 5 * bend_y.at(x, y);
      int nearest = 0;
      double least = 1e18;
      for (int i = 0; i < cells; ++i) {
        const auto& s = sites[static_cast<size_t>(i)];
        const double d = (s.x - u) * (s.x - u) + (s.y - v) * (s.y - v);
        if (d < least) {
          least = d;
          nearest = i;
        }
      }
      labels(r, c) = static_cast<std::uint16_t>(nearest + 2);
    }
  }
  return labels;
}

// A bent stroke as a polyline in 1/16 pixels.
std::vector<cv::Point> stroke(Chance& chance, SizeMm size, double length_mm, double scale) {
  double x = chance.uniform(0.1, 0.9) * size.width, y = chance.uniform(0.1, 0.9) * size.height;
  double direction = chance.uniform(0, 6.28);
  const double bend = chance.uniform(-0.05, 0.05);
  std::vector<cv::Point> points;
  for (double s = 0; s < length_mm; s += 1) {
    points.emplace_back(px(x, scale * 16), px(y, scale * 16));
    x += std::cos(direction);
    y += std::sin(direction);
    direction += bend + 0.04 * chance.normal();
  }
  return points;
}

void draw(cv::Mat1b& on, const std::vector<cv::Point>& points, int thickness) {
  cv::polylines(
      on, std::vector<std::vector<cv::Point>>{points}, false, 255, thickness, cv::LINE_AA, 4);
}

void draw_strokes(cv::Mat1b& on, int strokes, Chance& chance, SizeMm size) {
  for (int i = 0; i < strokes; ++i) {
    draw(on, stroke(chance, size, chance.uniform(20, 60), line_px_per_mm), 2 + chance.below(2));
  }
}

cv::Mat1f as_share(const cv::Mat1b& drawn) {
  cv::Mat1f share(drawn.size());
  for (int r = 0; r < drawn.rows; ++r) {
    for (int c = 0; c < drawn.cols; ++c) share(r, c) = static_cast<float>(drawn(r, c)) / 255.F;
  }
  return share;
}

// How each area is reworked.
struct Treatment {
  double wash = 0, alpha = 0;
};

}  // namespace

std::vector<SceneArea> measure_areas(const Scene& scene) {
  double highest = 0;
  cv::minMaxLoc(scene.labels, nullptr, &highest);
  std::vector<SceneArea> areas(static_cast<size_t>(highest));
  std::vector<std::array<std::vector<float>, 3>> values(areas.size());
  std::vector<PlateMap> bites;
  for (const auto& bite : scene.plate.bites) {
    bites.emplace_back(bite.minutes, scene.plate.size, 0.F);
  }
  for (int r = 0; r < scene.labels.rows; ++r) {
    for (int c = 0; c < scene.labels.cols; ++c) {
      if (scene.strokes(r, c) != 0 || scene.labels(r, c) == 0) continue;
      auto& v = values[scene.labels(r, c) - 1U];
      v[0].push_back(scene.printed_density(r, c));
      v[1].push_back(scene.wanted_density(r, c));
      const auto x = static_cast<float>((c + 0.5) / scene.px_per_mm);
      const auto y = static_cast<float>((r + 0.5) / scene.px_per_mm);
      float minutes = 0;
      for (const auto& bite : bites) minutes += bite.at(x, y);
      v[2].push_back(minutes);
    }
  }
  const auto median = [](std::vector<float>& v) {
    if (v.empty()) return 0.0;
    std::nth_element(v.begin(), v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2), v.end());
    return static_cast<double>(v[v.size() / 2]);
  };
  for (size_t i = 0; i < areas.size(); ++i) {
    auto& a = areas[i];
    a.label = static_cast<int>(i) + 1;
    a.printed = median(values[i][0]);
    a.wanted = median(values[i][1]);
    a.bitten_minutes = median(values[i][2]);
    a.kept = kept_minutes(scene.plate.curve, a.printed, a.wanted);
    a.fresh = fresh_minutes(scene.plate.curve, a.printed, a.wanted, scene.plate.overlap_q);
    const cv::Mat1b mask(scene.labels == a.label);
    a.area_mm2 = cv::countNonZero(mask) / (scene.px_per_mm * scene.px_per_mm);
    cv::Mat1b padded;
    cv::copyMakeBorder(mask, padded, 1, 1, 1, 1, cv::BORDER_CONSTANT, 0);
    cv::Mat1f distance;
    cv::distanceTransform(padded, distance, cv::DIST_L2, cv::DIST_MASK_PRECISE);
    double deepest = 0;
    cv::minMaxLoc(distance, nullptr, &deepest);
    a.across_mm = 2 * deepest / scene.px_per_mm;
  }
  return areas;
}

Scene make_scene(std::uint64_t seed, SizeMm size, int etched_strokes) {
  Chance chance(mix(seed, 0x7363656e65));
  Scene scene;
  scene.px_per_mm = scene_px_per_mm;
  scene.plate.size = size;
  const int cells = 5 + chance.below(9);
  const Chance layout(mix(seed, 0x6c61796f));
  scene.labels = lay_out(layout, seed, size, cells, scene_px_per_mm);

  // Bites: a doubling ladder, each area one rung; some stay bare metal.
  constexpr double ladder[] = {0, 0.25, 0.5, 1, 1, 2, 2, 4, 8, 16};
  std::vector<double> minutes(static_cast<size_t>(cells) + 2, 0.0);
  for (size_t i = 2; i < minutes.size(); ++i) minutes[i] = ladder[chance.below(10)];
  const double sky_top = chance.uniform(1.5, 4), sky_foot = chance.uniform(0.15, 0.5);

  // A new shape painted across one area, with a border of its own, gets a label of its own.
  const int host = 2 + chance.below(cells);
  {
    const cv::Mat1b mask(scene.labels == host);
    cv::Mat1f distance;
    cv::distanceTransform(mask, distance, cv::DIST_L2, cv::DIST_MASK_PRECISE);
    cv::Point deepest;
    double reach = 0;
    cv::minMaxLoc(distance, nullptr, &reach, nullptr, &deepest);
    cv::Mat1b shape(mask.size(), std::uint8_t{0});
    cv::ellipse(shape,
                deepest,
                cv::Size(static_cast<int>(reach * 0.85), static_cast<int>(reach * 0.6)),
                chance.uniform(0, 180),
                0,
                360,
                255,
                cv::FILLED);
    if (reach * 0.6 > 2.5 * scene_px_per_mm) {
      scene.labels.setTo(cells + 2, shape & mask);
      minutes.push_back(minutes[static_cast<size_t>(host)]);
    }
  }
  const int labels = static_cast<int>(minutes.size()) - 1;

  Bite bite;
  bite.ground_seed = mix(seed, 0x67);
  bite.grain_mm = chance.uniform(0.09, 0.14);
  // Bitten from a finer layout of the same areas: stop-out edges are smooth, not pixelled.
  const cv::Mat1w fine = lay_out(layout, seed, size, cells, line_px_per_mm);
  bite.minutes = cv::Mat1f(fine.size());
  double sky_foot_row = 1;
  for (int r = 0; r < fine.rows; ++r) {
    for (int c = 0; c < fine.cols; ++c) {
      if (fine(r, c) == 1) sky_foot_row = std::max(sky_foot_row, static_cast<double>(r));
    }
  }
  for (int r = 0; r < fine.rows; ++r) {
    const double down = std::min(1.0, r / sky_foot_row);
    const double sky = sky_top * std::pow(sky_foot / sky_top, down);
    for (int c = 0; c < fine.cols; ++c) {
      bite.minutes(r, c) = static_cast<float>(fine(r, c) == 1 ? sky : minutes[fine(r, c)]);
    }
  }
  sky_foot_row *= scene_px_per_mm / line_px_per_mm;
  scene.plate.bites.push_back(bite);

  // Etched lines.
  cv::Mat1b etched(
      px(size.height, line_px_per_mm), px(size.width, line_px_per_mm), std::uint8_t{0});
  const int few = 5 + chance.below(6);
  draw_strokes(etched, etched_strokes > 0 ? etched_strokes : few, chance, size);
  scene.plate.lines = as_share(etched);

  // Rework.
  std::vector<Treatment> treatments(static_cast<size_t>(labels) + 1);
  for (int i = 2; i <= labels; ++i) {
    auto& t = treatments[static_cast<size_t>(i)];
    const double printed = scene.plate.curve.density(minutes[static_cast<size_t>(i)]);
    const double kind = chance.uniform();
    if (kind < 0.42 || i == cells + 2) {
      t.wash = chance.uniform(0.12, 0.6);
      t.wash = std::min(t.wash, std::max(0.0, 1.32 - printed));
    } else if (kind < 0.62 && printed > 0.2) {
      t.alpha = chance.uniform(0.25, 0.8);
    }
  }
  // One seed in two darkens the sky as well, more towards the top: a soft passage.
  const double sky_wash = chance.uniform() < 0.5 ? chance.uniform(0.15, 0.4) : 0;
  cv::Mat1f wash(scene.labels.size(), 0.F), alpha(scene.labels.size(), 0.F);
  for (int r = 0; r < wash.rows; ++r) {
    for (int c = 0; c < wash.cols; ++c) {
      const auto label = scene.labels(r, c);
      const auto& t = treatments[label];
      wash(r, c) = static_cast<float>(t.wash);
      alpha(r, c) = static_cast<float>(t.alpha);
      if (label == 1) wash(r, c) = static_cast<float>(sky_wash * (1 - r / sky_foot_row));
    }
  }
  blur_rows_and_columns(wash, 0.25 * scene_px_per_mm, 0.25 * scene_px_per_mm);
  blur_rows_and_columns(alpha, 0.25 * scene_px_per_mm, 0.25 * scene_px_per_mm);
  // Drawn strokes: brush and ink, 0.5 to 1 mm, over everything.
  cv::Mat1b drawn(px(size.height, 8), px(size.width, 8), std::uint8_t{0});
  const int strokes = 3 + chance.below(4);
  for (int i = 0; i < strokes; ++i) {
    draw(drawn, stroke(chance, size, chance.uniform(12, 35), 8), 4 + chance.below(4));
  }
  const cv::Mat1f ink = as_share(drawn);
  // The maps of the rework share one resolution: that of the strokes.
  const PlateMap wash_map(wash, size, 0), alpha_map(alpha, size, 0);
  scene.rework.wash_density = cv::Mat1f(ink.size());
  scene.rework.opaque_alpha = cv::Mat1f(ink.size());
  for (int r = 0; r < ink.rows; ++r) {
    for (int c = 0; c < ink.cols; ++c) {
      const auto x = static_cast<float>((c + 0.5) / 8), y = static_cast<float>((r + 0.5) / 8);
      scene.rework.wash_density(r, c) = wash_map.at(x, y) + 0.9F * ink(r, c);
      scene.rework.opaque_alpha(r, c) = alpha_map.at(x, y) * (1 - ink(r, c));
    }
  }
  scene.rework.opaque_density = cv::Mat1f(ink.size(), 0.F);

  // Truth.
  scene.printed_density = printed_density(scene.plate, scene_px_per_mm);
  scene.wanted_density = mean_density(
      PrintedPlate(scene.plate, {}, &scene.rework, 0.04), size, scene_px_per_mm, false);
  cv::Mat1b etched_small, drawn_small;
  cv::resize(etched, etched_small, scene.labels.size(), 0, 0, cv::INTER_AREA);
  cv::resize(drawn, drawn_small, scene.labels.size(), 0, 0, cv::INTER_AREA);
  scene.strokes = (etched_small > 8) | (drawn_small > 8);
  scene.areas = measure_areas(scene);
  scene.areas[0].soft = true;
  return scene;
}

}  // namespace rebite::maker

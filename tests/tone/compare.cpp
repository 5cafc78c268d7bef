#include "tests/tone/compare.h"

#include <algorithm>
#include <cmath>
#include <map>
#include <opencv2/imgproc.hpp>

namespace rebite::maker {
namespace {

using tone::RegionKind;

constexpr float kTouched = 0.01F;

// Truth, found labels and kinds on the scene's grid.
struct Field {
  double px_per_mm = 4;
  cv::Mat1f gap;     // truth
  cv::Mat1w labels;  // of the scene
  cv::Mat1b strokes;
  cv::Mat1w found;  // id
  std::map<int, const tone::Region*> by_id;
  RegionKind kind(int r, int c) const {
    return found(r, c) ? by_id.at(found(r, c))->kind : RegionKind::still;
  }
  int sign(int r, int c) const {
    return found(r, c) ? (by_id.at(found(r, c))->gap.value() > 0 ? 1 : -1) : 0;
  }
};

Field lay_over(const Scene& scene, const tone::RegionMap& map) {
  Field f;
  f.px_per_mm = scene.px_per_mm;
  f.gap = scene.wanted_density - scene.printed_density;
  f.labels = scene.labels;
  f.strokes = scene.strokes;
  f.found.create(scene.labels.size());
  for (int r = 0; r < f.found.rows; ++r) {
    for (int c = 0; c < f.found.cols; ++c) {
      const int y = static_cast<int>((r + 0.5) / f.px_per_mm * map.grid.px_per_mm);
      const int x = static_cast<int>((c + 0.5) / f.px_per_mm * map.grid.px_per_mm);
      f.found(r, c) =
          map.labels(std::min(y, map.labels.rows - 1), std::min(x, map.labels.cols - 1));
    }
  }
  for (const tone::Region& r : map.regions) f.by_id[r.id] = &r;
  return f;
}

cv::Mat1f distance_to(const cv::Mat1b& marked, double px_per_mm) {
  cv::Mat1f d;
  const cv::Mat1b away(255 - marked);
  cv::distanceTransform(away, d, cv::DIST_L2, cv::DIST_MASK_PRECISE);
  return cv::Mat1f(d / px_per_mm);
}

template <class Label>
cv::Mat1b borders_of(const cv::Mat_<Label>& labels) {
  cv::Mat1b b(labels.size(), static_cast<uchar>(0));
  for (int r = 0; r < labels.rows; ++r) {
    for (int c = 0; c < labels.cols; ++c) {
      if (c + 1 < labels.cols && labels(r, c) != labels(r, c + 1)) b(r, c) = 255;
      if (r + 1 < labels.rows && labels(r, c) != labels(r + 1, c)) b(r, c) = 255;
    }
  }
  return b;
}

void judge_areas(const Field& f, const Scene& scene, Verdict& out) {
  const cv::Mat1f depth = distance_to(borders_of(f.labels), f.px_per_mm);
  for (const SceneArea& a : scene.areas) {
    AreaVerdict v;
    v.label = a.label;
    v.area_mm2 = a.area_mm2;
    v.across_mm = a.across_mm;
    v.gap = a.gap();
    v.soft = a.soft;
    if (a.area_mm2 < 30 || std::abs(a.gap()) < 0.08) continue;
    double n = 0, right = 0;
    for (int r = 0; r < f.gap.rows; ++r) {
      for (int c = 0; c < f.gap.cols; ++c) {
        if (f.labels(r, c) != a.label || f.strokes(r, c) || depth(r, c) < 1) continue;
        // A soft passage asks for its sign only where there is something to do.
        if (a.soft && std::abs(f.gap(r, c)) < 0.06F) continue;
        n += 1;
        const bool kind_fits =
            f.kind(r, c) == RegionKind::area || (a.soft && f.kind(r, c) == RegionKind::soft);
        if (kind_fits && f.sign(r, c) == (f.gap(r, c) > 0 ? 1 : -1)) right += 1;
      }
    }
    if (n < 50) continue;
    v.right_share = right / n;
    out.areas.push_back(v);
  }
}

void judge_borders(const Field& f, Verdict& out) {
  // Sides: where one would stop working. The bevel's millimetre is nobody's.
  cv::Mat1i side(f.gap.size()), true_side(f.gap.size());
  for (int r = 0; r < side.rows; ++r) {
    for (int c = 0; c < side.cols; ++c) {
      side(r, c) = f.kind(r, c) == RegionKind::line ? 100 : f.found(r, c) ? f.sign(r, c) : 0;
      const float g = f.gap(r, c);
      true_side(r, c) = std::abs(g) < 0.08F ? 0 : (g > 0 ? 1 : -1);
    }
  }
  const cv::Mat1b found = borders_of(side);
  const cv::Mat1b label_border = borders_of(f.labels);
  const cv::Mat1f to_label = distance_to(label_border, f.px_per_mm);
  const cv::Mat1f to_found = distance_to(borders_of(f.found), f.px_per_mm);
  cv::Mat1b stroke_near;
  cv::dilate(f.strokes, stroke_near, cv::Mat1b::ones(13, 13));
  const int rim = static_cast<int>(f.px_per_mm * 1.5);
  for (int r = rim; r < side.rows - rim; ++r) {
    for (int c = rim; c < side.cols - rim; ++c) {
      if (stroke_near(r, c)) continue;
      // In a soft passage there is no true border.
      const bool soft = f.labels(r, c) == 1 && to_label(r, c) > 2;
      if (found(r, c) && !soft) out.border_mm.push_back(static_cast<double>(to_label(r, c)));
      // True borders that matter: the side changes from 1 mm here to 1 mm there.
      if (label_border(r, c)) {
        const int k = static_cast<int>(f.px_per_mm);
        int low = 0, high = 0;
        for (const cv::Point d : {cv::Point(k, 0), {-k, 0}, {0, k}, {0, -k}}) {
          low = std::min(low, true_side(r + d.y, c + d.x));
          high = std::max(high, true_side(r + d.y, c + d.x));
        }
        bool still = false;
        for (const cv::Point d : {cv::Point(k, 0), {-k, 0}, {0, k}, {0, -k}}) {
          still = still || std::abs(f.gap(r + d.y, c + d.x)) < 0.02F;
        }
        if ((low < 0 && high > 0) || ((low < 0 || high > 0) && still)) {
          out.missed_mm.push_back(static_cast<double>(to_found(r, c)));
        }
      }
    }
  }
}

void judge_false_work(const Field& f, Verdict& out) {
  double wrong = 0, untouched = 0;
  for (int r = 0; r < f.gap.rows; ++r) {
    for (int c = 0; c < f.gap.cols; ++c) {
      if (std::abs(f.gap(r, c)) >= kTouched) continue;
      untouched += 1;
      if (f.found(r, c)) wrong += 1;
    }
  }
  out.false_share = wrong / static_cast<double>(f.gap.total());
  out.untouched_share = untouched / static_cast<double>(f.gap.total());
}

// Truth averaged as it is measured: in reflectance, over the region's core.
void judge_gaps(const Field& f, const Scene& scene, const tone::RegionMap& map, Verdict& out) {
  const cv::Mat1f depth = distance_to(borders_of(f.found), f.px_per_mm);
  struct Sum {
    double n = 0, p = 0, w = 0;
    std::map<int, double> labels;
  };
  std::map<int, Sum> sums;
  for (int r = 0; r < f.gap.rows; ++r) {
    for (int c = 0; c < f.gap.cols; ++c) {
      const int id = f.found(r, c);
      if (!id || depth(r, c) < 0.4F) continue;
      Sum& s = sums[id];
      s.n += 1;
      s.p += std::pow(10.0, -static_cast<double>(scene.printed_density(r, c)));
      s.w += std::pow(10.0, -static_cast<double>(scene.wanted_density(r, c)));
      s.labels[f.labels(r, c)] += 1;
    }
  }
  for (const tone::Region& r : map.regions) {
    if (r.kind == RegionKind::line) ++out.lines;
    if (r.kind == RegionKind::soft) ++out.softs;
    ++out.regions;
    const Sum& s = sums[r.id];
    if (s.n < 20) continue;
    Verdict::Gap g;
    g.found = r.gap.value();
    g.truth = std::log10(s.p / s.w);
    g.sd = r.gap_sd;
    g.area = r.area_mm2;
    g.kind = r.kind;
    for (const auto& [label, n] : s.labels) g.pure = g.pure || n > 0.9 * s.n;
    out.gaps.push_back(g);
  }
}

}  // namespace

Verdict judge(const Scene& scene, const tone::RegionMap& map) {
  const Field f = lay_over(scene, map);
  Verdict v;
  judge_areas(f, scene, v);
  judge_borders(f, v);
  judge_false_work(f, v);
  judge_gaps(f, scene, map, v);
  return v;
}

}  // namespace rebite::maker

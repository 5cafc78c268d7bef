#include "tone/measure.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <opencv2/imgproc.hpp>
#include <set>

#include "tone/at.h"
#include "tone/boxes.h"
#include "tone/place.h"
#include "tone/tasks.h"

namespace rebite::tone {
namespace {

constexpr double kBlurMm = 0.6;  // softness of a painted edge and scan blur, beyond alignment

struct Sums {
  double n = 0, p = 0, d = 0;           // core
  double all = 0;                       // pixels of the region
  double noise_now = 0, noise_gap = 0;  // variances over 1 mm2, summed over the core
  double field = 0, field_var = 0, sigma = 0;
  double gx = 0, gy = 0;  // gradient of the proof's density, D per mm
  double unseen = 0;
};

// Distance in mm of every pixel to the nearest pixel of another label.
cv::Mat1f depth_of(const cv::Mat1i& labels, double px_per_mm) {
  cv::Mat1b inside(labels.size(), static_cast<uchar>(255));
  for_rows(labels.rows, [&](int i) {
    for (int j = 0; j < labels.cols; ++j) {
      const int k = labels(i, j);
      if ((j + 1 < labels.cols && labels(i, j + 1) != k) ||
          (i + 1 < labels.rows && labels(i + 1, j) != k) || (j > 0 && labels(i, j - 1) != k) ||
          (i > 0 && labels(i - 1, j) != k)) {
        inside(i, j) = 0;
      }
    }
  });
  cv::Mat1f depth;
  cv::distanceTransform(inside, depth, cv::DIST_L2, cv::DIST_MASK_PRECISE);
  // Marked pixels lie half a pixel inside the border.
  depth = (depth + 0.5F) / px_per_mm;
  return depth;
}

// Gradient of the proof's density over about 1 mm, per cell.
void gradients(const Cells& c, cv::Mat1f& gx, cv::Mat1f& gy) {
  cv::Mat1f weight;
  cv::Mat(c.usable).convertTo(weight, CV_32F, 1.0 / 255);
  cv::Mat1f tone = smooth_over(c.proof, weight, 0.6 / c.mm);
  for (int i = 0; i < tone.rows; ++i) {
    for (int j = 0; j < tone.cols; ++j) {
      tone(i, j) = std::isfinite(tone(i, j))
                       ? static_cast<float>(density_of(static_cast<double>(tone(i, j))))
                       : 0.F;
    }
  }
  cv::Sobel(tone, gx, CV_32F, 1, 0, 3, 1.0 / (8 * c.mm), 0, cv::BORDER_REPLICATE);
  cv::Sobel(tone, gy, CV_32F, 0, 1, 3, 1.0 / (8 * c.mm), 0, cv::BORDER_REPLICATE);
}

// Unseen pixels within 3 mm of a region count as where it might go on.
void count_unseen(const MeasureInput& in, std::vector<Sums>& sums) {
  if (in.unseen.empty() || cv::countNonZero(in.unseen) == 0) return;
  cv::Mat1b free(in.labels.size());
  for (int i = 0; i < free.rows; ++i) {
    for (int j = 0; j < free.cols; ++j) free(i, j) = in.labels(i, j) >= 0 ? 0 : 255;
  }
  cv::Mat1f dist;
  cv::Mat1i nearest;
  cv::distanceTransform(free, dist, nearest, cv::DIST_L2, cv::DIST_MASK_5, cv::DIST_LABEL_PIXEL);
  std::vector<int> region_of(1, -1);
  for (int i = 0; i < free.rows; ++i) {
    for (int j = 0; j < free.cols; ++j) {
      if (free(i, j)) continue;
      const auto n = at(nearest(i, j));
      if (region_of.size() <= n) region_of.resize(n + 1, -1);
      region_of[n] = in.labels(i, j);
    }
  }
  const float reach = static_cast<float>(3 * in.px_per_mm);
  for (int i = 0; i < free.rows; ++i) {
    for (int j = 0; j < free.cols; ++j) {
      if (!in.unseen(i, j) || dist(i, j) > reach) continue;
      const int k = region_of[at(nearest(i, j))];
      if (k >= 0) sums[at(k)].unseen += 1;
    }
  }
}

std::vector<std::set<int>> contacts(const cv::Mat1i& labels, std::size_t count) {
  std::vector<std::set<int>> out(count);
  const auto touch = [&](int a, int b) {
    if (a < 0 || b < 0 || a == b) return;
    out[at(a)].insert(b);
    out[at(b)].insert(a);
  };
  // The same two mostly meet in the next pixel too.
  std::pair<int, int> across(-1, -1), down(-1, -1);
  for (int i = 0; i < labels.rows; ++i) {
    const int *row = labels[i], *below = i + 1 < labels.rows ? labels[i + 1] : nullptr;
    for (int j = 0; j < labels.cols; ++j) {
      if (j + 1 < labels.cols && row[j] != row[j + 1] && across != std::pair(row[j], row[j + 1])) {
        across = {row[j], row[j + 1]};
        touch(row[j], row[j + 1]);
      }
      if (below && row[j] != below[j] && down != std::pair(row[j], below[j])) {
        down = {row[j], below[j]};
        touch(row[j], below[j]);
      }
    }
  }
  return out;
}

// Gradients of the proof by cells.
struct Slopes {
  cv::Mat1f x, y;
};

// The sums of every region over its pixels for which counts(i, j, region, sigma) is true.
template <class Counts>
std::vector<Sums> sums_where(const MeasureInput& in, const Slopes& slopes, const Counts& counts) {
  std::vector<Sums> sums(in.kind.size());
  const int f = in.cells->factor;
  for (int i = 0; i < in.labels.rows; ++i) {
    for (int j = 0; j < in.labels.cols; ++j) {
      const int k = in.labels(i, j);
      if (k < 0) continue;
      const int ci = i / f;
      const int cj = j / f;
      const double sigma = static_cast<double>(in.cells->sigma_mm(ci, cj));
      if (!counts(i, j, k, sigma)) continue;
      Sums& s = sums[at(k)];
      s.n += 1;
      s.p += static_cast<double>(in.proof(i, j));
      s.d += static_cast<double>(in.drawing(i, j));
      const double nn = static_cast<double>(in.cells->noise_now(ci, cj));
      const double ng = static_cast<double>(in.cells->noise_gap(ci, cj));
      s.noise_now += nn * nn;
      s.noise_gap += ng * ng;
      const double sd = static_cast<double>(in.inking->field_sd(ci, cj));
      s.field += static_cast<double>(in.inking->field(ci, cj));
      s.field_var += sd * sd;
      s.sigma += sigma;
      s.gx += static_cast<double>(slopes.x(ci, cj));
      s.gy += static_cast<double>(slopes.y(ci, cj));
    }
  }
  return sums;
}

void finish(const Sums& s, const MeasureInput& in, Region& r) {
  const double mm2 = 1.0 / (in.px_per_mm * in.px_per_mm);
  r.area_mm2 = s.all * mm2;
  const double now = density_of(s.p / s.n);
  // The field was taken off all of the drawing; under paint there was less of it.
  const double off = s.field / s.n;
  const double as_inked = std::pow(10.0, -off);
  const double through = in.inking->shared_grain
                             ? field_through_paint(s.p / s.n * as_inked, s.d / s.n * as_inked)
                             : 1.0;
  const double target = density_of(s.d / s.n) + (1 - through) * off;
  const double area = s.n * mm2;
  const double wiping = in.inking->inking.noise_density;
  const double whole = offset_doubt(in.inking->inking);
  const double field = through * through * (s.field_var / s.n + whole * whole);
  const double slope = std::hypot(s.gx, s.gy) / s.n;
  const double shift = slope * s.sigma / s.n;
  const double grain_now = s.noise_now / s.n / area;
  const double grain_gap = s.noise_gap / s.n / area;
  r.now.value = Density::of(now);
  r.target.value = Density::of(target);
  r.gap = ToneGap::of(target - now);
  const double doubt_now = in.doubt.sd(r.now.value);
  const double doubt_target = in.doubt.sd(r.target.value);
  r.now.sd = std::sqrt(grain_now + 0.5 * wiping * wiping + doubt_now * doubt_now);
  r.target.sd = std::sqrt(grain_gap + 0.5 * wiping * wiping + field + doubt_target * doubt_target);
  const double relative = in.doubt.relative * r.gap.value();
  r.gap_sd = std::sqrt(grain_gap + wiping * wiping + field + shift * shift +
                       in.doubt.floor * in.doubt.floor + relative * relative);
  r.offset_sd = through * whole;
  r.unseen_share = s.unseen / (s.unseen + s.all);
}

}  // namespace

std::vector<Region> measure_regions(const MeasureInput& in) {
  const std::size_t count = in.kind.size();
  std::vector<Region> out(count);
  cv::Mat1f depth;
  Slopes slopes;
  std::vector<std::set<int>> touching;
  at_once({[&] { depth = depth_of(in.labels, in.px_per_mm); },
           [&] { gradients(*in.cells, slopes.x, slopes.y); },
           [&] { touching = contacts(in.labels, count); }});
  const std::vector<Box> box = boxes(in.labels, static_cast<int>(count));
  for_each_of(static_cast<int>(count), [&](int k) {
    out[at(k)].kind = in.kind[at(k)];
    const cv::Rect rect = box[at(k)].rect;
    place(cv::Mat1b(in.labels(rect) == k), rect, in.px_per_mm, out[at(k)]);
  });
  // Twice: if alignment and blur would eat a region up, it is measured to its edge.
  std::vector<Sums> sums, whole;
  at_once({[&] {
             sums = sums_where(in, slopes, [&](int i, int j, int k, double sigma) {
               const bool line = in.kind[at(k)] == RegionKind::line;
               const double trim =
                   line ? 0.3 * out[at(k)].width_mm
                        : std::min(1.5 * sigma + kBlurMm, 0.25 * out[at(k)].width_mm);
               return in.usable(i, j) && static_cast<double>(depth(i, j)) >= trim;
             });
           },
           [&] {
             whole = sums_where(in, slopes, [](int, int, int, double) { return true; });
             for (Sums& s : whole) s.all = s.n;
           }});
  for (std::size_t k = 0; k < count; ++k) {
    sums[k].all = whole[k].all;
    if (sums[k].n < 0.05 * whole[k].n || sums[k].n < 1) sums[k] = whole[k];
  }
  count_unseen(in, sums);
  for (std::size_t k = 0; k < count; ++k) {
    finish(sums[k], in, out[k]);
    out[k].neighbours.assign(touching[k].begin(), touching[k].end());
  }
  return out;
}

}  // namespace rebite::tone

#include "tone/borders.h"

#include <algorithm>
#include <atomic>
#include <cmath>
#include <limits>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "tone/boxes.h"
#include "tone/partition.h"
#include "tone/tasks.h"

namespace rebite::tone {
namespace {

constexpr float kFar = std::numeric_limits<float>::max();

struct Law {
  double mp = 0, md = 0;             // means
  double ipp = 1, ipd = 0, idd = 1;  // inverse covariance
  double log_det = 0;
  bool known = false;
  double cost(double p, double d) const {
    const double x = p - mp;
    const double y = d - md;
    // Clipped: a speck of dust or a drawn line must not pull a border.
    const double m = std::min(12.0, ipp * x * x + 2 * ipd * x * y + idd * y * y);
    return 0.5 * (m + log_det);
  }
};

cv::Mat disc(int radius) {
  return cv::getStructuringElement(cv::MORPH_ELLIPSE, {2 * radius + 1, 2 * radius + 1});
}

bool votes(const Cells& c, const cv::Mat1b& left_out, int i, int j) {
  return c.usable(i, j) && (left_out.empty() || !left_out(i, j));
}

Law law_of(const cv::Mat1b& mask, cv::Point at, const Cells& c, const cv::Mat1b& left_out) {
  double n = 0, p = 0, d = 0, pp = 0, pd = 0, dd = 0;
  for (int i = 0; i < mask.rows; ++i) {
    for (int j = 0; j < mask.cols; ++j) {
      if (!mask(i, j) || !votes(c, left_out, i + at.y, j + at.x)) continue;
      const double x = static_cast<double>(c.proof(i + at.y, j + at.x));
      const double y = static_cast<double>(c.drawing(i + at.y, j + at.x));
      n += 1;
      p += x;
      d += y;
      pp += x * x;
      pd += x * y;
      dd += y * y;
    }
  }
  Law law;
  if (n < 12) return law;
  law.known = true;
  law.mp = p / n;
  law.md = d / n;
  // Floor: scanner noise, paper and the unevenness of a brushed tone.
  const double fp = 0.03 * law.mp + 0.005;
  const double fd = 0.03 * law.md + 0.005;
  const double vpp = std::max(0.0, pp / n - law.mp * law.mp) + fp * fp;
  const double vdd = std::max(0.0, dd / n - law.md * law.md) + fd * fd;
  const double vpd = pd / n - law.mp * law.md;
  const double det = std::max(vpp * vdd - vpd * vpd, 1e-12);
  law.ipp = vdd / det;
  law.idd = vpp / det;
  law.ipd = -vpd / det;
  law.log_det = std::log(det);
  return law;
}

// Energy of part k over `rect`; kFar where the part is out of reach.
cv::Mat1f energy(const cv::Mat1i& labels,
                 int k,
                 cv::Rect rect,
                 const Cells& c,
                 const cv::Mat1b& left_out,
                 const BorderOptions& o) {
  const cv::Mat1b mask(labels(rect) == k);
  cv::Mat1b core;
  cv::erode(mask, core, disc(std::max(1, static_cast<int>(std::lround(0.6 / c.mm)))));
  Law law;
  if (cv::countNonZero(core) >= 60) law = law_of(core, rect.tl(), c, left_out);
  if (!law.known) law = law_of(mask, rect.tl(), c, left_out);
  cv::Mat1f cost(rect.size());
  cv::Mat1f weight(rect.size());
  cv::Mat1f inside(rect.size());
  for (int i = 0; i < rect.height; ++i) {
    const uchar* in = mask[i];
    const uchar* usable = c.usable[i + rect.y] + rect.x;
    const uchar* out = left_out.empty() ? nullptr : left_out[i + rect.y] + rect.x;
    const float* p = c.proof[i + rect.y] + rect.x;
    const float* d = c.drawing[i + rect.y] + rect.x;
    for (int j = 0; j < rect.width; ++j) {
      inside(i, j) = in[j] ? 1.F : 0.F;
      const bool counts = usable[j] && !(out && out[j]);
      weight(i, j) = counts ? 1.F : 0.F;
      const double value =
          law.known ? law.cost(static_cast<double>(p[j]), static_cast<double>(d[j])) : 6.0;
      cost(i, j) = counts ? static_cast<float>(value) : 0.F;
    }
  }
  cv::Mat1f e = smooth_over(cost, weight, o.sigma_mm / c.mm);
  cv::GaussianBlur(inside, inside, {}, o.sigma_mm / c.mm, o.sigma_mm / c.mm, cv::BORDER_REPLICATE);
  cv::Mat1b near;
  cv::dilate(mask, near, disc(std::max(1, static_cast<int>(std::lround(o.band_mm / c.mm)))));
  for (int i = 0; i < rect.height; ++i) {
    for (int j = 0; j < rect.width; ++j) {
      if (!near(i, j)) {
        e(i, j) = kFar;
      } else {
        if (!std::isfinite(e(i, j))) e(i, j) = 0;  // nobody votes here: the contour decides
        e(i, j) -= static_cast<float>(o.smooth) * inside(i, j);
      }
    }
  }
  return e;
}

// Energies of the parts, kept from round to round for parts that did not change.
class Energies {
 public:
  Energies(const Cells& cells, const cv::Mat1b& left_out, const BorderOptions& options)
      : c_(cells),
        left_out_(left_out),
        o_(options),
        reach_(static_cast<int>(std::ceil((options.band_mm + 2 * options.sigma_mm) / cells.mm)) +
               1) {}

  // take(part, rect, energy) for every part of these labels, in order; the energies are worked out
  // on all threads, the largest first, a lot of parts at a time where all of them together would
  // take much memory. `changed`: the parts that are not as they were last time; empty: all.
  template <class Take>
  void for_all(const cv::Mat1i& labels,
               int count,
               const std::vector<char>& changed,
               const Take& take) {
    const std::vector<Box> box = boxes(labels, count);
    kept_.resize(static_cast<std::size_t>(count));
    const auto rect_of = [&](int k) {
      return grown(box[static_cast<std::size_t>(k)].rect, reach_, labels.size());
    };
    double cells = 0;
    for (int k = 0; k < count; ++k)
      if (box[static_cast<std::size_t>(k)].cells > 0) cells += rect_of(k).area();
    const bool keep = cells < kMostKept;
    for (int first = 0; first < count;) {
      const int last = keep ? count : std::min(count, first + kLot);
      std::vector<int> wanted;
      for (int k = first; k < last; ++k) {
        const auto at = static_cast<std::size_t>(k);
        const bool known = !kept_[at].empty() && !changed.empty() && !changed[at];
        if (box[at].cells > 0 && !known) wanted.push_back(k);
      }
      std::stable_sort(wanted.begin(), wanted.end(), [&](int a, int b) {
        return rect_of(a).area() > rect_of(b).area();
      });
      std::atomic<std::size_t> next = 0;
      const int crew = std::max(1, cv::getNumThreads());
      cv::parallel_for_(cv::Range(0, crew), [&](const cv::Range&) {
        for (std::size_t n = next++; n < wanted.size(); n = next++)
          kept_[static_cast<std::size_t>(wanted[n])] =
              energy(labels, wanted[n], rect_of(wanted[n]), c_, left_out_, o_);
      });
      for (; first < last; ++first) {
        const auto at = static_cast<std::size_t>(first);
        if (box[at].cells > 0) take(first, rect_of(first), kept_[at]);
        if (!keep) kept_[at].release();
      }
    }
  }

 private:
  static constexpr int kLot = 8;
  static constexpr double kMostKept = 16e6;  // cells: 64 MB
  const Cells& c_;
  const cv::Mat1b& left_out_;
  const BorderOptions& o_;
  int reach_;
  std::vector<cv::Mat1f> kept_;
};

}  // namespace

void move_borders(cv::Mat1i& labels,
                  int count,
                  const Cells& c,
                  const cv::Mat1b& left_out,
                  const BorderOptions& o) {
  Energies energies(c, left_out, o);
  std::vector<char> changed;
  for (int round = 0; round < o.rounds; ++round) {
    cv::Mat1f best(labels.size(), kFar);
    cv::Mat1i next = labels.clone();
    energies.for_all(labels, count, changed, [&](int k, cv::Rect rect, const cv::Mat1f& e) {
      for_rows(rect.height, [&](int i) {
        const int* own = labels[i + rect.y] + rect.x;
        const float* v = e[i];
        float* least = best[i + rect.y] + rect.x;
        int* to = next[i + rect.y] + rect.x;
        for (int j = 0; j < rect.width; ++j) {
          if (own[j] < 0 || v[j] >= least[j]) continue;
          least[j] = v[j];
          to[j] = k;
        }
      });
    });
    changed.assign(static_cast<std::size_t>(count), 0);
    bool any = false;
    for (int i = 0; i < labels.rows; ++i) {
      const int *was = labels[i], *is = next[i];
      for (int j = 0; j < labels.cols; ++j) {
        if (was[j] == is[j]) continue;
        changed[static_cast<std::size_t>(was[j])] = changed[static_cast<std::size_t>(is[j])] = 1;
        any = true;
      }
    }
    labels = next;
    if (!any) return;
  }
}

cv::Mat1i fine_labels(const cv::Mat1i& labels,
                      int count,
                      const Cells& c,
                      const cv::Mat1b& left_out,
                      const BorderOptions& o,
                      cv::Size full) {
  cv::Mat1f best(full, kFar);
  cv::Mat1i out(full, -1);
  for_rows(full.height, [&](int i) {
    for (int j = 0; j < full.width; ++j) out(i, j) = labels(i / c.factor, j / c.factor);
  });
  Energies energies(c, left_out, o);
  energies.for_all(labels, count, {}, [&](int k, cv::Rect rect, const cv::Mat1f& e) {
    const cv::Rect to =
        cv::Rect(rect.tl() * c.factor, rect.size() * c.factor) & cv::Rect({0, 0}, full);
    for_rows(to.height, [&](int i) {
      const double fy = std::clamp((i + 0.5) / c.factor - 0.5, 0.0, rect.height - 1.0);
      const int y0 = static_cast<int>(fy);
      const int y1 = std::min(y0 + 1, rect.height - 1);
      const float ty = static_cast<float>(fy - y0);
      for (int j = 0; j < to.width; ++j) {
        if (out(i + to.y, j + to.x) < 0) continue;
        const double fx = std::clamp((j + 0.5) / c.factor - 0.5, 0.0, rect.width - 1.0);
        const int x0 = static_cast<int>(fx);
        const int x1 = std::min(x0 + 1, rect.width - 1);
        const float tx = static_cast<float>(fx - x0);
        const float e00 = e(y0, x0), e01 = e(y0, x1), e10 = e(y1, x0), e11 = e(y1, x1);
        if (e00 == kFar || e01 == kFar || e10 == kFar || e11 == kFar) continue;
        const float v = (e00 * (1 - tx) + e01 * tx) * (1 - ty) + (e10 * (1 - tx) + e11 * tx) * ty;
        if (v >= best(i + to.y, j + to.x)) continue;
        best(i + to.y, j + to.x) = v;
        out(i + to.y, j + to.x) = k;
      }
    });
  });
  return out;
}

double width_within(const cv::Mat1i& labels, int k, cv::Rect where, double mm) {
  cv::Mat1b mask(where.height + 2, where.width + 2, static_cast<uchar>(0));
  cv::Mat1b(labels(where) == k).copyTo(mask(cv::Rect({1, 1}, where.size())));
  cv::Mat1f dist;
  cv::distanceTransform(mask, dist, cv::DIST_L2, cv::DIST_MASK_PRECISE);
  double most = 0;
  cv::minMaxLoc(dist, nullptr, &most);
  // The transform counts to the centre of the nearest cell outside: half a cell too far.
  return std::max(0.0, 2 * most - 1) * mm;
}

std::vector<double> widths(const cv::Mat1i& labels, int count, double mm) {
  std::vector<double> out(static_cast<std::size_t>(count), 0.0);
  const std::vector<Box> box = boxes(labels, count);
  for_each_of(count, [&](int k) {
    const Box& b = box[static_cast<std::size_t>(k)];
    if (b.cells == 0) return;
    out[static_cast<std::size_t>(k)] = width_within(labels, k, b.rect, mm);
  });
  return out;
}

void trim_spurs(
    cv::Mat1i& labels, int count, const Cells& c, const cv::Mat1b& left_out, double narrow_mm) {
  const std::vector<Box> box = boxes(labels, count);
  cv::Mat1b loose(labels.size(), static_cast<uchar>(0));
  const double radius = 0.5 * narrow_mm / c.mm;
  for_each_of(count, [&](int k) {  // each marks cells of its own part only
    const Box& b = box[static_cast<std::size_t>(k)];
    if (b.cells == 0) return;
    const int pad = static_cast<int>(std::ceil(radius)) + 2;
    const cv::Rect rect = b.rect;
    const cv::Rect wide = grown(rect, pad, labels.size());
    // A part that ends at the plate's edge goes on there as far as a brush is concerned.
    cv::Mat1b mask;
    cv::copyMakeBorder(cv::Mat1b(labels(wide) == k),
                       mask,
                       pad - (rect.y - wide.y),
                       pad - (wide.br().y - rect.br().y),
                       pad - (rect.x - wide.x),
                       pad - (wide.br().x - rect.br().x),
                       cv::BORDER_REPLICATE);
    const cv::Mat1b inner = mask(cv::Rect({pad, pad}, rect.size()));
    cv::Mat1f dist;
    cv::distanceTransform(mask, dist, cv::DIST_L2, cv::DIST_MASK_PRECISE);
    const cv::Mat1b seeds(dist >= radius - 0.5);
    if (cv::countNonZero(seeds) == 0) return;  // narrow all over: the caller's business
    const cv::Mat1b away(255 - seeds);
    cv::distanceTransform(away, dist, cv::DIST_L2, cv::DIST_MASK_PRECISE);
    // Reached: within the circles, and a little beyond so that corners stay.
    const float reach = static_cast<float>(radius * 1.45);
    for (int i = 0; i < rect.height; ++i) {
      for (int j = 0; j < rect.width; ++j) {
        if (inner(i, j) && dist(i + pad, j + pad) > reach) loose(i + rect.y, j + rect.x) = 255;
      }
    }
  });
  if (cv::countNonZero(loose) == 0) return;
  // The loose pieces are parts for a moment, and go where they lose least.
  cv::Mat1i pieces(labels.size(), -1);
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      if (loose(i, j)) pieces(i, j) = labels(i, j);
    }
  }
  const int extra = split_pieces(pieces);
  std::vector<int> origin(static_cast<std::size_t>(extra), 0);
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      if (pieces(i, j) < 0) continue;
      origin[static_cast<std::size_t>(pieces(i, j))] = labels(i, j);
      labels(i, j) = count + pieces(i, j);
    }
  }
  const PartGraph g = graph_of(labels, count + extra, c, left_out);
  std::vector<int> to(static_cast<std::size_t>(count + extra));
  for (int k = 0; k < count; ++k) to[static_cast<std::size_t>(k)] = k;
  for (int k = count; k < count + extra; ++k) {
    const auto at = static_cast<std::size_t>(k);
    int best = -1;
    double least = 1e300;
    for (const auto& [n, mm] : g.border[at]) {
      if (n >= count) continue;
      // Among equals the longer border wins.
      const double d = steps_apart(g.parts[at], g.parts[static_cast<std::size_t>(n)]) - 0.02 * mm;
      if (d < least) {
        least = d;
        best = n;
      }
    }
    // Touching nothing but other loose pieces: it stays what it was.
    to[at] = best >= 0 ? best : origin[static_cast<std::size_t>(k - count)];
  }
  relabel(labels, to);
}

}  // namespace rebite::tone

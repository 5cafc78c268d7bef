#include "wedge/step_grid.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <opencv2/imgproc.hpp>

namespace rebite::wedge {
namespace {

constexpr double least_contrast = 0.15;  // log10 units, darkest step against unbitten metal
constexpr double edge_mm = 0.7;          // blurred away along each edge

// Sums over rectangles of the frame, of the density and its square, for pixels of the scan.
class Sums {
 public:
  Sums(const cv::Mat1f& density, const cv::Mat1b& inside) : size_(density.size()) {
    cv::Mat1f d = density.clone();
    d.setTo(0.F, ~inside);
    cv::Mat1f one;
    inside.convertTo(one, CV_32F, 1.0 / 255);
    cv::integral(d, sum_, square_, CV_64F, CV_64F);
    cv::integral(one, count_, CV_64F);
  }
  struct Part {
    double n = 0, sum = 0, square = 0, area = 0;
    double mean() const { return n > 0 ? sum / n : 0; }
    double scatter() const { return n > 0 ? std::max(0.0, square - sum * sum / n) : 0; }
  };
  // Whole pixels whose centres lie inside.
  Part over(const cv::Rect2d& r) const {
    const int x0 = std::clamp(cvCeil(r.x), 0, size_.width);
    const int y0 = std::clamp(cvCeil(r.y), 0, size_.height);
    const int x1 = std::clamp(cvCeil(r.x + r.width), x0, size_.width);
    const int y1 = std::clamp(cvCeil(r.y + r.height), y0, size_.height);
    const auto box = [&](const cv::Mat1d& m) {
      return m(y1, x1) - m(y0, x1) - m(y1, x0) + m(y0, x0);
    };
    return {box(count_), box(sum_), box(square_), std::max(0.0, r.width) * std::max(0.0, r.height)};
  }

 private:
  cv::Size size_;
  cv::Mat1d sum_, square_, count_;
};

// A grid is scored as one step of place: how much tone scatters inside its cells.
class Scorer {
 public:
  Scorer(const WedgeFrame& frame, const DarkBox& dark)
      : px_(frame.px_per_mm), dark_(dark), sums_(frame.density, frame.inside) {}

  double px() const { return px_; }
  // Misfit with `trim_mm` left out along the edges; fills level and range.
  double score(StepGrid& g, double trim_mm) const {
    const double cell_width = g.pitch - g.gap;
    const double trim = std::min(trim_mm * px_, 0.25 * std::min(cell_width, g.side_pitch));
    double n = 0;
    double scatter = 0;
    g.level.clear();
    for (int row = 0; row < g.rows; ++row) {
      for (int column = 0; column < g.columns; ++column) {
        const cv::Rect2d r = g.cell(row, column, trim);
        const Sums::Part p = sums_.over(r);
        if (r.width < 1 || r.height < 1 || p.n < 0.95 * p.area || p.n < 4) return 1e9;
        n += p.n;
        scatter += p.scatter();
        g.level.push_back(p.mean());
      }
    }
    const auto [low, high] = std::minmax_element(g.level.begin(), g.level.end());
    g.range = *high - *low;
    return std::sqrt(scatter / n);
  }
  // Cells that stand for unbitten metal must be as light and as even as that.
  bool unseen_are_plain(const StepGrid& g) const {
    for (int k = 0; k < g.columns; ++k) {
      if (k >= g.unseen_before && k < g.columns - g.unseen_after) continue;
      const cv::Rect2d r = g.cell(0, k, edge_mm * px_);
      const double half = (g.along_y ? r.height : r.width) / 2;
      const cv::Rect2d a =
          g.along_y ? cv::Rect2d(r.x, r.y, r.width, half) : cv::Rect2d(r.x, r.y, half, r.height);
      const cv::Rect2d b = g.along_y ? cv::Rect2d(r.x, r.y + half, r.width, half)
                                     : cv::Rect2d(r.x + half, r.y, half, r.height);
      const auto first = sums_.over(a);
      const auto second = sums_.over(b);
      if (first.n < 4 || second.n < 4) return false;
      if (std::fabs(first.mean() - second.mean()) > 0.025) return false;
      const double level = sums_.over(r).mean();
      const double scatter = std::sqrt(sums_.over(r).scatter() / sums_.over(r).n);
      if (std::fabs(level - dark_.border) > 0.08 || scatter > 0.025) return false;
    }
    return true;
  }

 private:
  double px_;
  DarkBox dark_;
  Sums sums_;
};

// Best place near the guess: every parameter in turn, in shrinking strides.
void settle(const Scorer& scorer, StepGrid& g) {
  const double trim = 0.35;
  g.misfit = scorer.score(g, trim);
  for (double stride = 0.08 * g.pitch; stride > 0.2; stride /= 2) {
    for (int round = 0; round < 3; ++round) {
      bool moved = false;
      const auto attempt = [&](auto change) {
        StepGrid t = g;
        change(t);
        if (t.pitch < 4 || t.side_pitch < 4 || t.gap < 0 || t.gap > 0.5 * t.pitch) return;
        t.misfit = scorer.score(t, trim);
        if (t.misfit < g.misfit) {
          g = t;
          moved = true;
        }
      };
      for (const double s : {-stride, stride}) {
        attempt([&](StepGrid& t) { t.begin += s; });
        // The end moves, the begin stays; or the begin moves and the end stays.
        attempt([&](StepGrid& t) { t.pitch += s / t.columns; });
        attempt([&](StepGrid& t) {
          t.begin += s;
          t.pitch -= s / t.columns;
        });
      }
      if (!moved) break;
    }
  }
}

// Grids of one axis: the box is the visible cells.
void try_grids(const Scorer& scorer,
               const DarkBox& dark,
               int steps,
               bool along_y,
               int rows,
               std::optional<StepGrid>& best) {
  const double length = along_y ? dark.box.height : dark.box.width;
  const double side = along_y ? dark.box.width : dark.box.height;
  const double from = along_y ? dark.box.y : dark.box.x;
  const double side_from = along_y ? dark.box.x : dark.box.y;
  const int columns = (steps + rows - 1) / rows;
  if (columns < 2) return;
  const int most_unseen = rows == 1 ? std::min(3, columns - 2) : 1;
  for (int unseen = 0; unseen <= most_unseen; ++unseen) {
    for (const bool before : {false, true}) {
      if (unseen == 0 && before) continue;
      const int seen = columns - unseen;
      for (const double gap_share : {0.0, 0.08, 0.16, 0.25, 0.35}) {
        StepGrid g;
        g.along_y = along_y;
        g.rows = rows;
        g.columns = columns;
        g.pitch = length / (seen - gap_share);
        g.gap = gap_share * g.pitch;
        if (g.pitch < 3 * edge_mm * scorer.px()) continue;
        g.begin = from - g.gap / 2 - (before ? unseen * g.pitch : 0);
        g.side_pitch = (side + (rows == 2 ? g.gap : 0)) / rows;
        g.side_begin = side_from - (rows == 2 ? g.gap / 2 : 0);
        g.unseen_before = before ? unseen : 0;
        g.unseen_after = before ? 0 : unseen;
        g.border = dark.border;
        settle(scorer, g);
        if (unseen > 0 && rows == 1 && !scorer.unseen_are_plain(g)) continue;
        // A gap or an unseen cell must earn its keep: narrower cells scatter less by themselves.
        const double toll = 1 + 0.02 * unseen + 0.3 * gap_share;
        StepGrid scored = g;
        scored.misfit = scorer.score(scored, edge_mm) * toll;
        if (!best || scored.misfit < best->misfit) best = scored;
      }
    }
  }
}

double quantile(std::vector<float> v, double q) {
  if (v.empty()) return 0;
  const auto k = static_cast<std::ptrdiff_t>(q * static_cast<double>(v.size() - 1));
  std::nth_element(v.begin(), v.begin() + k, v.end());
  return static_cast<double>(v[static_cast<std::size_t>(k)]);
}

// Bounding box of what is darker than `level`, thin things (lines, marks, pencil) opened away.
cv::Rect box_above(const WedgeFrame& f, double level, double fewest_mm2) {
  cv::Mat1b mask;
  cv::compare(f.density, level, mask, cv::CMP_GT);
  mask.setTo(uchar{0}, ~f.inside);
  const int open = std::max(3, cvRound(1.6 * f.px_per_mm) | 1);
  cv::morphologyEx(mask, mask, cv::MORPH_OPEN, cv::Mat::ones(open, open, CV_8U));
  cv::Mat1i labels, stats;
  cv::Mat1d centres;
  const int n = cv::connectedComponentsWithStats(mask, labels, stats, centres);
  cv::Rect all;
  for (int i = 1; i < n; ++i) {
    if (stats(i, cv::CC_STAT_AREA) < fewest_mm2 * f.px_per_mm * f.px_per_mm) continue;
    const cv::Rect r(stats(i, cv::CC_STAT_LEFT),
                     stats(i, cv::CC_STAT_TOP),
                     stats(i, cv::CC_STAT_WIDTH),
                     stats(i, cv::CC_STAT_HEIGHT));
    all = all.empty() ? r : all | r;
  }
  return all;
}

}  // namespace

cv::Rect2d StepGrid::cell(int row, int column, double trim) const {
  const double a = begin + column * pitch + gap / 2 + trim;
  const double length = pitch - gap - 2 * trim;
  const double side_gap = rows == 2 ? gap : 0;
  const double b = side_begin + row * side_pitch + side_gap / 2 + trim;
  const double side = side_pitch - side_gap - 2 * trim;
  return along_y ? cv::Rect2d(b, a, side, length) : cv::Rect2d(a, b, length, side);
}

std::optional<DarkBox> find_dark_box(const WedgeFrame& f) {
  if (f.density.empty()) return std::nullopt;
  DarkBox dark;
  cv::Mat1f calm;
  const int side = std::max(3, cvRound(3 * f.px_per_mm) | 1);
  cv::boxFilter(f.density, calm, -1, {side, side});
  cv::Mat1b whole;
  cv::erode(f.inside,
            whole,
            cv::Mat::ones(side, side, CV_8U),
            {-1, -1},
            1,
            cv::BORDER_CONSTANT,
            cv::Scalar(0));
  double most = 0;
  cv::minMaxLoc(calm, nullptr, &most, nullptr, nullptr, whole);
  dark.darkest = most;
  const cv::Rect core = box_above(f, 0.45 * most, 6);
  if (core.empty()) return std::nullopt;
  // The tone around the dark core: mostly unbitten metal (or paper, where the border is narrow).
  const int near = cvRound(1.5 * f.px_per_mm);
  const int far = cvRound(5 * f.px_per_mm);
  std::vector<float> ring;
  const cv::Rect outer =
      cv::Rect(core.x - far, core.y - far, core.width + 2 * far, core.height + 2 * far) &
      cv::Rect(0, 0, f.density.cols, f.density.rows);
  const cv::Rect inner(core.x - near, core.y - near, core.width + 2 * near, core.height + 2 * near);
  for (int y = outer.y; y < outer.br().y; ++y) {
    for (int x = outer.x; x < outer.br().x; ++x) {
      if (f.inside(y, x) && !inner.contains({x, y})) ring.push_back(f.density(y, x));
    }
  }
  dark.border = quantile(ring, 0.3);
  if (most - dark.border < least_contrast) return std::nullopt;
  const double low = dark.border + std::max(0.05, 0.06 * (most - dark.border));
  dark.box = box_above(f, low, 6);
  if (dark.box.empty()) return std::nullopt;
  return dark;
}

std::optional<StepGrid> best_grid(const WedgeFrame& frame, const DarkBox& dark, int steps) {
  const Scorer scorer(frame, dark);
  std::optional<StepGrid> best;
  for (const bool along_y : {false, true}) {
    for (const int rows : {1, 2}) {
      if (rows == 2 && steps < 4) continue;
      try_grids(scorer, dark, steps, along_y, rows, best);
    }
  }
  if (best && best->misfit > 1e8) return std::nullopt;
  return best;
}

bool looks_like_steps(const StepGrid& g) {
  return g.range >= least_contrast && g.misfit < 0.02 + 0.035 * g.range;
}

int cells_per_step(const StepGrid& g) {
  if (g.rows != 1) return 1;
  const int seen = g.columns - g.unseen_before - g.unseen_after;
  for (int d = seen / 2; d >= 2; --d) {
    if (seen % d != 0) continue;
    bool all_flat = true;
    for (int k = 1; k < seen && all_flat; ++k) {
      if (k % d == 0) continue;
      const auto i = static_cast<std::size_t>(g.unseen_before + k);
      all_flat = std::fabs(g.level[i] - g.level[i - 1]) < 0.012;
    }
    if (all_flat) return d;
  }
  return 1;
}

}  // namespace rebite::wedge

#include "wedge/step_grid.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "wedge/frame_sums.h"

namespace rebite::wedge {
namespace {

constexpr double least_contrast = 0.15;  // log10 units, darkest step against unbitten metal
// Left out along the edges of a cell, where the blur mixes tones (in density it reaches further
// into the darker one): across the wedge's sides, between steps when scoring, when looking for the
// place.
constexpr double side_mm = 1.3;
constexpr double edge_mm = 1.0;
constexpr double settle_mm = 0.5;

}  // namespace

// How much tone scatters inside the cells of a grid.
class GridSearch::Scorer {
 public:
  Scorer(const WedgeFrame& frame, const DarkBox& dark)
      : px_(frame.px_per_mm),
        dark_(dark),
        sums_(frame.density, frame.inside),
        tones_(frame.tone, frame.inside) {}
  void add_grids(int steps, bool along_y, int rows, std::optional<StepGrid>& best) const;

 private:
  void settle(StepGrid& g) const;

  // Misfit with `trim_mm` left out along the edges; fills level and range.
  double score(StepGrid& g, double trim_mm) const {
    const double cell_width = g.pitch - g.gap;
    const double trim = std::min(trim_mm * px_, 0.25 * cell_width);
    const double side = std::min(side_mm * px_, 0.25 * g.side_pitch);
    double n = 0;
    double scatter = 0;
    g.level.clear();
    for (int row = 0; row < g.rows; ++row) {
      for (int column = 0; column < g.columns; ++column) {
        const cv::Rect2d r = g.cell(row, column, trim, side);
        const FrameSums::Part p = sums_.over(r);
        if (r.width < 1 || r.height < 1 || p.n < 0.95 * p.area || p.n < 4) return 1e9;
        g.level.push_back(p.mean());
        if (column < g.unseen_before || column >= g.columns - g.unseen_after) continue;
        n += p.n;
        scatter += tones_.over(r).scatter();
      }
    }
    const auto [low, high] = std::minmax_element(g.level.begin(), g.level.end());
    g.range = *high - *low;
    return std::sqrt(scatter / n);
  }
  // What lies between cells set apart must be clearly lighter than they are.
  bool gaps_are_light(const StepGrid& g) const {
    if (g.gap <= 0) return true;
    double inked = 0;
    double between = 0;
    for (int row = 0; row < g.rows; ++row) {
      for (int k = g.unseen_before; k + 1 < g.columns - g.unseen_after; ++k) {
        StepGrid gap = g;  // the cell between two cells
        gap.gap = g.pitch - g.gap;
        gap.begin = g.begin + g.pitch / 2;
        const auto i = static_cast<std::size_t>(row * g.columns + k);
        inked += 0.5 * (g.level[i] + g.level[i + 1]) - dark_.border;
        const cv::Rect2d r = gap.cell(row, k, 0.3 * g.gap, side_mm * px_);
        between += sums_.over(r).mean() - dark_.border;
      }
    }
    return between < 0.6 * inked;
  }
  // One row cut lengthwise: both halves show the same tones, and by their own wiping scatter less
  // than the whole.
  static bool rows_repeat(const StepGrid& g) {
    if (g.rows != 2) return false;
    for (int k = 0; k < g.columns; ++k) {
      const auto upper = static_cast<std::size_t>(k);
      const auto lower = static_cast<std::size_t>(g.columns + k);
      if (std::fabs(g.level[upper] - g.level[lower]) > 0.08) return false;
    }
    return true;
  }
  // Cells that stand for unbitten metal must be as light as that, and nothing (no plate edge, no
  // step) may change abruptly from the last seen cell's side to their far end.
  bool unseen_are_plain(const StepGrid& g) const {
    const double margin = edge_mm * px_;
    const double seen_margin = 1.8 * px_;  // a dark step's blur and half a millimetre of doubt
    const auto span_is_plain = [&](double from, double to) {
      const double slice = 1.5 * px_;
      double before = 0;
      double last = 0;
      int k = 0;
      for (double at = from; at + slice <= to; at += slice, ++k) {
        StepGrid one = g;
        one.begin = at;
        one.pitch = slice;
        one.gap = 0;
        const FrameSums::Part p = sums_.over(one.cell(0, 0, 0, side_mm * px_));
        if (p.n < 0.95 * p.area || std::fabs(p.mean() - dark_.border) > 0.08) return false;
        // Against the slice two before: an edge may fall in between.
        if (k >= 2 && std::fabs(p.mean() - before) > 0.02) return false;
        before = last;
        last = p.mean();
      }
      return true;
    };
    const double first_seen = g.begin + g.unseen_before * g.pitch;
    const double end_seen = g.begin + (g.columns - g.unseen_after) * g.pitch;
    const double end = g.begin + g.columns * g.pitch;
    return (g.unseen_before == 0 || span_is_plain(g.begin + margin, first_seen - seen_margin)) &&
           (g.unseen_after == 0 || span_is_plain(end_seen + seen_margin, end - margin));
  }
  // What `score` becomes where the seen cells do not reach from end to end of the dark box: the
  // scatter alone would let them shrink.
  double covering(const StepGrid& g) const {
    const double from = g.along_y ? dark_.box.y : dark_.box.x;
    const double to = from + (g.along_y ? dark_.box.height : dark_.box.width);
    const double first = g.begin + g.unseen_before * g.pitch + g.gap / 2;
    const double end = g.begin + (g.columns - g.unseen_after) * g.pitch - g.gap / 2;
    const double free = 0.6 * px_;  // the box itself is no surer
    const double off =
        std::max(0.0, std::fabs(first - from) - free) + std::max(0.0, std::fabs(end - to) - free);
    return 1 + off / px_;
  }

 private:
  double px_;
  DarkBox dark_;
  FrameSums sums_;   // of densities
  FrameSums tones_;  // of the angular tone
};

// Best place near the guess: every parameter in turn, in shrinking strides.
void GridSearch::Scorer::settle(StepGrid& g) const {
  g.misfit = score(g, settle_mm) * covering(g);
  for (double stride = 0.08 * g.pitch; stride > 0.2; stride /= 2) {
    for (int round = 0; round < 3; ++round) {
      bool moved = false;
      const auto attempt = [&](auto change) {
        StepGrid t = g;
        change(t);
        if (t.pitch < 4 || t.side_pitch < 4 || t.gap < 0 || t.gap > 0.5 * t.pitch) return;
        t.misfit = score(t, settle_mm) * covering(t);
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

// Grids of one axis: the box is the seen cells.
void GridSearch::Scorer::add_grids(int steps,
                                   bool along_y,
                                   int rows,
                                   std::optional<StepGrid>& best) const {
  const DarkBox& dark = dark_;
  const double length = along_y ? dark.box.height : dark.box.width;
  const double side = along_y ? dark.box.width : dark.box.height;
  const double from = along_y ? dark.box.y : dark.box.x;
  const double side_from = along_y ? dark.box.x : dark.box.y;
  const int columns = (steps + rows - 1) / rows;
  if (columns < 2) return;
  const int most_unseen = rows == 1 ? std::max(1, columns / 2) : 1;
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
        if (g.pitch < 2 * edge_mm * px_) continue;
        g.begin = from - g.gap / 2 - (before ? unseen * g.pitch : 0);
        g.side_pitch = (side + (rows == 2 ? g.gap : 0)) / rows;
        g.side_begin = side_from - (rows == 2 ? g.gap / 2 : 0);
        g.unseen_before = before ? unseen : 0;
        g.unseen_after = before ? 0 : unseen;
        g.border = dark.border;
        settle(g);
        if (unseen > 0 && rows == 1 && !unseen_are_plain(g)) continue;
        // A gap or an unseen cell must earn its keep: narrower cells scatter less by themselves.
        const double toll = 1 + 0.1 * unseen + 0.3 * gap_share;
        StepGrid scored = g;
        scored.misfit = score(scored, edge_mm) * toll;
        if (scored.misfit > 1e8 || !gaps_are_light(scored) || rows_repeat(scored)) continue;
        if (!best || scored.misfit < best->misfit) best = scored;
      }
    }
  }
}

namespace {

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

cv::Rect2d StepGrid::cell(int row, int column, double trim, double side_trim) const {
  const double a = begin + column * pitch + gap / 2 + trim;
  const double length = pitch - gap - 2 * trim;
  const double side_gap = rows == 2 ? gap : 0;
  const double b = side_begin + row * side_pitch + side_gap / 2 + side_trim;
  const double side = side_pitch - side_gap - 2 * side_trim;
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

GridSearch::GridSearch(const WedgeFrame& frame, const DarkBox& dark)
    : scorer_(std::make_unique<const Scorer>(frame, dark)), dark_(dark) {}

GridSearch::~GridSearch() = default;

std::optional<StepGrid> GridSearch::best(int steps) const {
  std::optional<StepGrid> best;
  for (const bool along_y : {false, true}) {
    for (const int rows : {1, 2}) {
      if (rows == 2 && steps < 4) continue;
      scorer_->add_grids(steps, along_y, rows, best);
    }
  }
  return best;
}

bool looks_like_steps(const StepGrid& g) { return g.range >= least_contrast && g.misfit < 0.06; }

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

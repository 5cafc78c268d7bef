#include "wedge/grid_score.h"

#include <algorithm>
#include <cmath>

namespace rebite::wedge {
namespace {

// log10 units. A border between steps jumps, wiping does not: within 3 mm.
constexpr double jump = 0.02;
constexpr double told_from_metal = 0.02;
constexpr double bare_paper = 0.004;  // metal prints its film, however cleanly it was wiped

}  // namespace

GridScore::GridScore(const WedgeFrame& frame, const DarkBox& dark)
    : px_(frame.px_per_mm),
      dark_(dark),
      sums_(frame.density, frame.inside),
      tones_(frame.tone, frame.inside) {}

double GridScore::scatter(StepGrid& g, double trim_mm) const {
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
      n += p.n;
      scatter += tones_.over(r).scatter();
    }
  }
  const auto [low, high] = std::minmax_element(g.level.begin(), g.level.end());
  g.range = *high - *low;
  return std::sqrt(scatter / n);
}

double GridScore::covering(const StepGrid& g) const {
  const int before = g.rows == 2 ? g.unseen_before : 0;
  const int after = g.rows == 2 ? g.unseen_after : 0;
  // Above 0: box that no cell covers; below: cells that go on outside it.
  const double begin = g.begin + before * g.pitch + g.gap / 2 - g.dark_begin;
  const double end = g.dark_end - (g.begin + (g.columns - after) * g.pitch - g.gap / 2);
  const double free = 0.6 * px_;  // the box itself is no surer
  const auto off = [&](double uncovered, bool light_end) {
    if (!light_end) return std::max(0.0, std::fabs(uncovered) - free);
    // Here the box may hold unbitten metal that was wiped less clean.
    return std::max(0.0, uncovered - free - 0.5 * g.pitch);
  };
  return 1 +
         (off(begin, g.rows == 1 && !g.dark_first) + off(end, g.rows == 1 && g.dark_first)) / px_;
}

void GridScore::settle(StepGrid& g) const {
  g.misfit = scatter(g, settle_mm) * covering(g);
  for (double stride = 0.08 * g.pitch; stride > 0.2; stride /= 2) {
    for (int round = 0; round < 3; ++round) {
      bool moved = false;
      const auto attempt = [&](auto change) {
        StepGrid t = g;
        change(t);
        if (t.pitch < 4 || t.side_pitch < 4 || t.gap < 0 || t.gap > 0.5 * t.pitch) return;
        t.misfit = scatter(t, settle_mm) * covering(t);
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

double GridScore::level(const StepGrid& g, int row, int column) const {
  return g.level[static_cast<std::size_t>(row * g.columns + column)];
}

bool GridScore::gaps_are_light(const StepGrid& g) const {
  if (g.gap <= 0) return true;
  double inked = 0;
  double between = 0;
  for (int row = 0; row < g.rows; ++row) {
    for (int k = 0; k + 1 < g.columns; ++k) {
      StepGrid gap = g;  // the cell between two cells
      gap.gap = g.pitch - g.gap;
      gap.begin = g.begin + g.pitch / 2;
      inked += 0.5 * (level(g, row, k) + level(g, row, k + 1)) - dark_.border;
      const cv::Rect2d r = gap.cell(row, k, 0.3 * g.gap, side_mm * px_);
      between += sums_.over(r).mean() - dark_.border;
    }
  }
  return between < 0.6 * inked;
}

bool GridScore::rows_repeat(const StepGrid& g) {
  if (g.rows != 2) return false;
  for (int k = 0; k < g.columns; ++k) {
    const auto upper = static_cast<std::size_t>(k);
    const auto lower = static_cast<std::size_t>(g.columns + k);
    if (std::fabs(g.level[upper] - g.level[lower]) > 0.08) return false;
  }
  return true;
}

bool GridScore::even_inside(const StepGrid& g,
                            int column,
                            double margin_begin,
                            double margin_end) const {
  const cv::Rect2d whole = g.cell(0, column, 0, 0);
  const double from = (g.along_y ? whole.y : whole.x) + margin_begin;
  const double to = (g.along_y ? whole.y + whole.height : whole.x + whole.width) - margin_end;
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
    if (p.n < 0.95 * p.area) return false;
    // Against the slice two before: an edge may fall in between.
    if (k >= 2 && std::fabs(p.mean() - before) > jump) return false;
    before = last;
    last = p.mean();
  }
  return true;
}

bool GridScore::faint_cells_are_even(const StepGrid& g) const {
  const auto past_the_box = [&](int k) {
    const double middle = g.begin + (k + 0.5) * g.pitch;
    return middle < g.dark_begin || middle > g.dark_end;
  };
  double lightest_in_box = 1e9;
  for (int k = 0; k < g.columns; ++k) {
    if (!past_the_box(k)) lightest_in_box = std::min(lightest_in_box, level(g, 0, k));
  }
  const double margin = edge_mm * px_;
  const double dark_margin = 1.8 * px_;  // a dark step's blur and half a millimetre of doubt
  for (int k = 0; k < g.columns; ++k) {
    if (!past_the_box(k)) continue;
    const int darker = g.dark_first ? k - 1 : k + 1;
    if (darker < 0 || darker >= g.columns) return false;  // the dark end lies in the box
    // A ladder goes on from its light end.
    if (!past_the_box(darker) && level(g, 0, darker) > lightest_in_box + 2 * jump) return false;
    const double step = level(g, 0, darker) - level(g, 0, k);
    const double inner = step > 0.1 ? dark_margin : margin;
    if (step < -jump || level(g, 0, k) < bare_paper ||
        !even_inside(g, k, g.dark_first ? inner : margin, g.dark_first ? margin : inner)) {
      return false;
    }
  }
  return true;
}

double GridScore::beside(const StepGrid& g, int column) const {
  const cv::Rect2d c = g.cell(0, column, edge_mm * px_, 0);
  const double near = 1.4 * px_, wide = 1.5 * px_;
  const auto band = [&](double at) {
    return sums_
        .over(g.along_y ? cv::Rect2d(at, c.y, wide, c.height) : cv::Rect2d(c.x, at, c.width, wide))
        .mean();
  };
  const double own = sums_.over(c).mean();
  const double first = band((g.along_y ? c.x : c.y) - near - wide);
  const double second = band((g.along_y ? c.x + c.width : c.y + c.height) + near);
  return std::fabs(first - own) < std::fabs(second - own) ? first : second;
}

bool GridScore::goes_on(const StepGrid& g) const {
  StepGrid more = g;
  more.columns = g.columns + 1;
  if (!g.dark_first) more.begin -= g.pitch;
  const int k = g.dark_first ? g.columns : 0;
  if (scatter(more, edge_mm) > 1e8) return false;
  const double metal = std::max(dark_.border, beside(more, k));
  return level(more, 0, k) > metal + 0.03 && even_inside(more, k, 1.8 * px_, 1.8 * px_) &&
         level(more, 0, k) < g.level[g.dark_first ? g.level.size() - 1 : 0] + jump;
}

int GridScore::unseen_cells(const StepGrid& g) const {
  int unseen = 0;
  for (int i = 0; i < g.columns; ++i) {
    const int k = g.dark_first ? g.columns - 1 - i : i;
    const double own = level(g, 0, k);
    if (std::fabs(own - dark_.border) > told_from_metal &&
        std::fabs(own - beside(g, k)) > told_from_metal) {
      break;
    }
    ++unseen;
  }
  return unseen;
}

}  // namespace rebite::wedge

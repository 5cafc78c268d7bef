#include "wedge/grid_score.h"

#include <algorithm>
#include <cmath>

namespace rebite::wedge {
namespace {

// log10 units. A border between steps jumps, wiping does not: within 3 mm.
constexpr double jump = 0.02;
constexpr double told_from_metal = 0.02;
constexpr double shows = 0.05, bitten = 0.12;
constexpr double rows_apart = 0.08;  // two rows differ by more, at their most different place
constexpr double near_mm = 1.4;      // from a row's side, clear of its blur
// Metal prints its film; where that is wiped to less than this it looks like bare paper.
constexpr double bare_paper = 0.004, clean_metal = 0.04;

}  // namespace

GridScore::GridScore(const WedgeFrame& frame, const DarkBox& dark)
    : frame_(frame),
      px_(frame.px_per_mm),
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
  // Above 0: core that no cell covers; below: cells that go on outside it.
  const double begin = g.begin + g.gap / 2 - g.dark_begin;
  const double end = g.dark_end - (g.begin + g.columns * g.pitch - g.gap / 2);
  const double free = 0.6 * px_;  // the core itself is no surer
  const auto off = [&](double uncovered, bool light_end) {
    // At the light end cells may go on.
    return std::max(0.0, (light_end ? uncovered : std::fabs(uncovered)) - free);
  };
  return 1 + (off(begin, !g.dark_first) + off(end, g.dark_first)) / px_;
}

bool GridScore::two_rows_show(const StepGrid& g) const {
  StepGrid slice = g;
  slice.columns = 1;
  slice.pitch = 3 * px_;
  slice.gap = 0;
  double darkest[2] = {0, 0};
  double apart = 0;
  for (double at = g.shown_begin; at + slice.pitch <= g.shown_end; at += slice.pitch / 2) {
    slice.begin = at;
    double tone[2];
    for (const int row : {0, 1}) {
      tone[row] = sums_.over(slice.cell(row, 0, 0, side_mm * px_)).mean();
      darkest[row] = std::max(darkest[row], tone[row]);
    }
    apart = std::max(apart, std::fabs(tone[0] - tone[1]));
  }
  return std::min(darkest[0], darkest[1]) > dark_.border + 0.06 && apart > rows_apart;
}

std::vector<RowProfile> GridScore::profiles(const StepGrid& g) const {
  std::vector<RowProfile> out;
  for (int row = 0; row < g.rows; ++row) {
    const double begin = g.side_begin + row * g.side_pitch + g.row_gap / 2;
    const double height = g.side_pitch - g.row_gap;
    const double side = std::min(side_mm * px_, 0.25 * height);
    out.emplace_back(frame_, g.along_y, begin + side, begin + height - side);
  }
  return out;
}

double GridScore::misfit(const StepGrid& g, const std::vector<RowProfile>& profiles) const {
  const double trim = std::min(settle_mm * px_, 0.25 * (g.pitch - g.gap));
  const double shared = shared_mm * px_;
  double n = 0;
  double squares = 0;
  for (const RowProfile& row : profiles) {
    for (int k = 0; k < g.columns; ++k) {
      const double from = g.begin + k * g.pitch + g.gap / 2 + trim;
      const RowProfile::Scatter s = row.over(from, from + g.pitch - g.gap - 2 * trim);
      if (s.n < 1) return 1e9;
      n += s.n - shared;  // each cell's own mean is fitted
      squares += s.squares;
    }
  }
  if (n <= 0) return 1e9;
  return std::sqrt(squares / n + finest_misfit * finest_misfit) * covering(g);
}

void GridScore::settle(StepGrid& g, const std::vector<RowProfile>& profiles) const {
  g.misfit = misfit(g, profiles);
  for (double stride = 0.08 * g.pitch; stride > 0.2; stride /= 2) {
    for (int round = 0; round < 3; ++round) {
      bool moved = false;
      const auto attempt = [&](auto change) {
        StepGrid t = g;
        change(t);
        if (t.pitch < 4) return;
        t.misfit = misfit(t, profiles);
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
  int dark_gaps = 0, gaps = 0;  // of those between inked cells
  for (int row = 0; row < g.rows; ++row) {
    for (int k = 0; k + 1 < g.columns; ++k) {
      StepGrid gap = g;  // the cell between two cells
      gap.gap = g.pitch - g.gap;
      gap.begin = g.begin + g.pitch / 2;
      const double beside_it = 0.5 * (level(g, row, k) + level(g, row, k + 1)) - dark_.border;
      inked += beside_it;
      // The middle of it, and a pixel at least.
      const double trim = std::min(0.3 * g.gap, 0.5 * (g.gap - 1.01));
      const cv::Rect2d r = gap.cell(row, k, trim, side_mm * px_);
      const double own = sums_.over(r).mean() - dark_.border;
      between += own;
      if (beside_it < 0.25) continue;
      ++gaps;
      if (own > 0.8 * beside_it) ++dark_gaps;
    }
  }
  // Where each step is cut in two, every other gap is light. (One may be bridged by foul biting.)
  return between < 0.6 * inked && 4 * dark_gaps <= gaps;
}

bool GridScore::rows_repeat(const StepGrid& g) {
  if (g.rows != 2) return false;
  for (int k = 0; k < g.columns; ++k) {
    const auto upper = static_cast<std::size_t>(k);
    const auto lower = static_cast<std::size_t>(g.columns + k);
    if (std::fabs(g.level[upper] - g.level[lower]) > rows_apart) return false;
  }
  return true;
}

bool GridScore::even_inside(
    const StepGrid& g, int row, int column, double margin_begin, double margin_end) const {
  const cv::Rect2d whole = g.cell(row, column, 0, 0);
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
    const FrameSums::Part p = sums_.over(one.cell(row, 0, 0, side_mm * px_));
    if (p.n < 0.95 * p.area) return false;
    // Against the slice two before: an edge may fall in between.
    if (k >= 2 && std::fabs(p.mean() - before) > jump) return false;
    before = last;
    last = p.mean();
  }
  return true;
}

bool GridScore::faint_cells_are_even(const StepGrid& g) const {
  const auto past = [&](int k) {
    const double middle = g.begin + (k + 0.5) * g.pitch;
    return middle < g.shown_begin || middle > g.shown_end;
  };
  const double margin = edge_mm * px_;
  const double dark_margin = 1.8 * px_;  // a dark step's blur and half a millimetre of doubt
  for (int row = 0; row < g.rows; ++row) {
    double lightest_shown = 1e9;
    for (int k = 0; k < g.columns; ++k) {
      if (!past(k)) lightest_shown = std::min(lightest_shown, level(g, row, k));
    }
    for (int k = 0; k < g.columns; ++k) {
      if (!past(k)) continue;
      int darker = g.dark_first ? k - 1 : k + 1;
      if (darker < 0 || darker >= g.columns) {
        if (g.rows == 1) return false;          // the dark end shows
        darker = g.dark_first ? k + 1 : k - 1;  // the corner that holds no step
      }
      const double step = level(g, row, darker) - level(g, row, k);
      const double inner = std::fabs(step) > 0.1 ? dark_margin : margin;
      const bool inner_first = darker < k;
      const bool off_plate = beside(g, k) > clean_metal && level(g, row, k) < bare_paper;
      if (off_plate ||
          !even_inside(g, row, k, inner_first ? inner : margin, inner_first ? margin : inner)) {
        return false;
      }
      // A ladder goes on from its light end. (Of two rows one may run the other way.)
      if (g.rows == 2) continue;
      if (!past(darker) && level(g, row, darker) > lightest_shown + 2 * jump) return false;
      if (step < -0.05) return false;  // wiping
    }
  }
  return true;
}

bool GridScore::columns_repeat(const StepGrid& g) const {
  for (int row = 0; row < g.rows; ++row) {
    const auto from = g.level.begin() + row * g.columns;
    const auto [low, high] = std::minmax_element(from, from + g.columns);
    if (*high - *low > rows_apart) return false;
  }
  return g.rows == 2;
}

bool GridScore::stands_alone(const StepGrid& g) const {
  const double first = g.side_begin, last = g.side_begin + g.rows * g.side_pitch;
  const double wide = 1.5 * px_;
  for (int k = 0; k < g.columns; ++k) {
    double own = 0;
    for (int row = 0; row < g.rows; ++row) own = std::max(own, level(g, row, k));
    if (own < dark_.border + 0.3) continue;
    for (const double out : {near_mm * px_, 4.5 * px_}) {
      const double one = band(g, k, first - out - wide, wide);
      const double other = band(g, k, last + out, wide);
      // Wiping does not change so much from one side to the other; a row of steps does.
      if (std::max(one, other) > dark_.border + bitten || std::fabs(one - other) > bitten) {
        return false;
      }
    }
  }
  return true;
}

bool GridScore::ends_dark(const StepGrid& g) const {
  double own = 0;
  for (int row = 0; row < g.rows; ++row) {
    own = std::max(own, level(g, row, g.dark_first ? 0 : g.columns - 1));
  }
  const double wide = 1.5 * px_;
  for (const double far : {near_mm * px_, 3 * px_, 4.5 * px_, 6 * px_}) {  // past a gap, too
    StepGrid out = g;  // a slice past the dark end, clear of its blur
    out.columns = 1;
    out.gap = 0;
    out.pitch = wide;
    out.begin = g.dark_first ? g.begin + g.gap / 2 - far - wide
                             : g.begin + g.columns * g.pitch - g.gap / 2 + far;
    double beyond = 0;
    for (int row = 0; row < g.rows; ++row) {
      const FrameSums::Part p = sums_.over(out.cell(row, 0, 0, side_mm * px_));
      // Where the scan or the window ends at the step nobody knows whether the wedge does.
      if (far == near_mm * px_ && p.n < 0.5 * p.area) return false;
      beyond = std::max(beyond, p.mean());
    }
    out.begin -= edge_mm * px_;
    out.pitch += 2 * edge_mm * px_;
    if (beyond > dark_.border + bitten || beyond > beside(out, 0) + 0.15 || beyond > 0.5 * own) {
      return false;
    }
  }
  return true;
}

bool GridScore::both_rows_show(const StepGrid& g) const {
  for (int row = 0; row < g.rows && g.rows == 2; ++row) {
    double darkest = 0;
    for (int k = 0; k < g.columns; ++k) darkest = std::max(darkest, level(g, row, k));
    if (darkest < dark_.border + 0.06) return false;
  }
  return true;
}

bool GridScore::covers_ladder(const StepGrid& g) const {
  const double end = g.dark_first ? g.begin + g.columns * g.pitch - g.gap / 2 : g.begin + g.gap / 2;
  const double left_out = g.dark_first ? g.shown_end - end : end - g.shown_begin;
  const double margin = edge_mm * px_ + g.gap;
  if (left_out < std::max(2 * margin + px_, 0.5 * g.pitch)) return true;
  StepGrid past = g;  // a step's width, or what shows of it
  past.columns = 1;
  past.gap = 0;
  past.pitch = std::min(left_out, g.pitch) - margin;
  past.begin = g.dark_first ? end + margin : end - margin - past.pitch;
  const double metal = std::max(dark_.border, beside(past, 0));
  for (int row = 0; row < g.rows; ++row) {
    if (sums_.over(past.cell(row, 0, 0, side_mm * px_)).mean() > metal + bitten) return false;
  }
  return true;
}

bool GridScore::may_be_wedge(const StepGrid& g) const {
  return covers_ladder(g) && gaps_are_light(g) && !rows_repeat(g) && !columns_repeat(g) && both_rows_show(g) &&
         ends_dark(g) && stands_alone(g) && faint_cells_are_even(g);
}

double GridScore::band(const StepGrid& g, int column, double at, double wide) const {
  const cv::Rect2d c = g.cell(0, column, edge_mm * px_, 0);
  return sums_
      .over(g.along_y ? cv::Rect2d(at, c.y, wide, c.height) : cv::Rect2d(c.x, at, c.width, wide))
      .mean();
}

double GridScore::beside(const StepGrid& g, int column) const {
  const double near = near_mm * px_, wide = 1.5 * px_;
  return std::max(band(g, column, g.side_begin - near - wide, wide),
                  band(g, column, g.side_begin + g.rows * g.side_pitch + near, wide));
}

void GridScore::find_shown(StepGrid& g) const {
  StepGrid slice = g;
  slice.columns = 1;
  slice.pitch = 3 * edge_mm * px_;  // edge_mm is left out at both ends of it
  slice.gap = 0;
  const double stride = 0.5 * px_;
  const double longest_gap = 8 * px_;
  double at = g.dark_first ? g.dark_end : g.dark_begin;
  double& end = g.dark_first ? g.shown_end : g.shown_begin;
  while (std::fabs(at - end) < longest_gap) {
    at += g.dark_first ? stride : -stride;
    slice.begin = at - slice.pitch / 2;
    double own = 0;
    for (int row = 0; row < g.rows; ++row) {
      const FrameSums::Part p = sums_.over(slice.cell(row, 0, edge_mm * px_, side_mm * px_));
      if (p.n < 0.95 * p.area) {
        g.runs_out = std::fabs(at - end) < 2 * stride;  // it showed one place before
        return;
      }
      own = std::max(own, p.mean());
    }
    if (own > std::max(dark_.border, beside(slice, 0)) + shows) end = at;
  }
}

bool GridScore::goes_on(const StepGrid& g) const {
  StepGrid more = g;
  more.columns = g.columns + 1;
  if (!g.dark_first) more.begin -= g.pitch;
  const int k = g.dark_first ? g.columns : 0;
  if (scatter(more, edge_mm) > 1e8) return false;
  const double metal = std::max(dark_.border, beside(more, k));
  StepGrid past = more;  // and there it ends, or a lighter step follows
  past.pitch = 2 * edge_mm * px_ + more.gap + 1.5 * px_;
  past.begin = g.dark_first ? more.begin + more.columns * more.pitch - more.gap / 2
                            : more.begin + more.gap / 2 - past.pitch;
  past.gap = 0;
  past.columns = 1;
  for (int row = 0; row < g.rows; ++row) {
    const double own = level(more, row, k);
    const double darker = level(more, row, g.dark_first ? k - 1 : 1);
    const FrameSums::Part after = sums_.over(past.cell(row, 0, edge_mm * px_, side_mm * px_));
    if (own > metal + 0.03 && own > after.mean() + told_from_metal &&
        even_inside(more, row, k, 1.8 * px_, 1.8 * px_) && (g.rows == 2 || own < darker + jump)) {
      return true;
    }
  }
  return false;
}

bool GridScore::has_unbitten(const StepGrid& g) const {
  const int light = g.dark_first ? g.columns - 1 : 0;
  const auto unbitten = [&](int row, int k) {
    const double metal = std::max(dark_.border, beside(g, k));
    // So light it may be the paper past a narrow border: then the film of unbitten metal is
    // unknown.
    return level(g, row, k) < metal + (metal < clean_metal ? bitten : 0.05);
  };
  if (g.rows == 1) return unbitten(0, light);
  return unbitten(0, 0) || unbitten(1, 0) || unbitten(0, g.columns - 1) ||
         unbitten(1, g.columns - 1);
}

int GridScore::unseen_cells(const StepGrid& g) const {
  int unseen = 0;
  for (int i = 0; i < g.columns; ++i) {
    const int k = g.dark_first ? g.columns - 1 - i : i;
    double own = 0;
    for (int row = 0; row < g.rows; ++row) own = std::max(own, level(g, row, k));
    if (std::fabs(own - dark_.border) > told_from_metal &&
        std::fabs(own - beside(g, k)) > told_from_metal) {
      break;
    }
    ++unseen;
  }
  return unseen;
}

}  // namespace rebite::wedge

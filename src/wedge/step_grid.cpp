#include "wedge/step_grid.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "wedge/grid_score.h"

namespace rebite::wedge {
namespace {

constexpr double least_contrast = 0.15;  // log10 units, darkest step against unbitten metal

}  // namespace

namespace {

// Gaps and unseen cells must earn their keep: narrower cells scatter less by themselves.
// One unbitten step is usual.
double toll(int unseen, double gap_share) {
  return 1 + 0.1 * std::max(0, unseen - 1) + 0.3 * gap_share;
}

// Of tone, inside the cells: three times what grain and wiping leave in a plain wedge.
constexpr double most_scatter = 0.03;

constexpr double gap_shares[] = {0.0, 0.08, 0.16, 0.25, 0.35, 0.45};
constexpr double row_gaps_mm[] = {0, 1.5, 3.5};

void keep_better(const std::optional<StepGrid>& found, std::optional<StepGrid>& best) {
  if (found && found->misfit < 1e8 && (!best || found->misfit < best->misfit)) best = found;
}

// Scatter in the cells whose middles lie where anything shows: light steps scatter more in tone.
double shown_scatter(const GridScore& score, const StepGrid& g) {
  StepGrid core = g;
  const int before = std::max(0, cvCeil((g.shown_begin - g.begin) / g.pitch - 0.5));
  const int after = std::max(0, cvCeil(g.columns - (g.shown_end - g.begin) / g.pitch - 0.5));
  core.begin += before * g.pitch;
  core.columns -= before + after;
  return core.columns > 0 ? score.scatter(core, edge_mm) : 1e9;
}

// The few best guesses of different pitch.
std::vector<StepGrid> best_apart(std::vector<StepGrid> guesses) {
  std::sort(guesses.begin(), guesses.end(), [](const StepGrid& a, const StepGrid& b) {
    return a.misfit < b.misfit;
  });
  std::vector<StepGrid> few;
  for (const StepGrid& g : guesses) {
    const bool near = std::any_of(few.begin(), few.end(), [&](const StepGrid& f) {
      return std::fabs(f.pitch / g.pitch - 1) < 0.6 / g.columns &&
             std::fabs(f.begin - g.begin) < 0.3 * g.pitch;
    });
    if (!near) few.push_back(g);
    if (few.size() == 5) break;
  }
  return few;
}

// Where rows of cells may lie across the wedge.
struct Lane {
  double begin = 0, pitch = 0, gap = 0;
};

// The dark steps are as high as all others: one row; or one of two, or both of two.
std::vector<Lane> lanes(double begin, double height, int rows, double px) {
  if (rows == 1) return {{begin, height, 0}};
  std::vector<Lane> all;
  for (const double mm : row_gaps_mm) {
    const double gap = mm * px;
    all.push_back({begin - gap / 2, (height + gap) / 2, gap});
    all.push_back({begin - gap / 2, height + gap, gap});
    all.push_back({begin - gap / 2 - (height + gap), height + gap, gap});
  }
  return all;
}

// The lighter of two rows may reach the core with a part of its darkest step only: then the core is
// too narrow for two rows, and the sides of all that is darker than metal are the better guess. The
// blur carries those out by some 0.75 mm.
std::vector<Lane> lanes_of_box(double begin, double width, double core_width, double px) {
  const double blur = 0.75 * px;
  const double inner = width - 2 * blur;
  std::vector<Lane> all;
  if (inner < core_width + 1.0 * px) return all;  // the core says the same
  for (const double mm : row_gaps_mm) {
    const double gap = mm * px;
    all.push_back({begin + blur - gap / 2, (inner + gap) / 2, gap});
  }
  return all;
}

// Rows of `steps` cells from the dark end of the core. The light steps may lie where nothing is
// dark: so the pitch is open, and the cells' evenness tells it.
std::optional<StepGrid> anchored(
    const GridScore& score, int steps, int rows, bool along_y, bool dark_first, bool unbitten) {
  std::optional<StepGrid> best;
  const cv::Rect& core = score.dark().core;
  const double px = score.px_per_mm();
  const int columns = (steps + rows - 1) / rows;
  if (columns < 2) return best;
  const double from = along_y ? core.y : core.x;
  const double length = along_y ? core.height : core.width;
  const cv::Rect& box = score.dark().box;
  const double across = along_y ? core.width : core.height;
  std::vector<Lane> all = lanes(along_y ? core.x : core.y, across, rows, px);
  if (rows == 2) {
    const std::vector<Lane> more = lanes_of_box(
        along_y ? box.x : box.y, along_y ? box.width : box.height, across, px);
    all.insert(all.end(), more.begin(), more.end());
  }
  for (const Lane& lane : all) {
    StepGrid g;
    g.along_y = along_y;
    g.dark_first = dark_first;
    g.rows = rows;
    g.columns = columns;
    g.dark_begin = g.shown_begin = from;
    g.dark_end = g.shown_end = from + length;
    g.border = score.dark().border;
    g.side_begin = lane.begin;
    g.side_pitch = lane.pitch;
    g.row_gap = lane.gap;
    score.find_shown(g);
    if (g.runs_out) continue;
    if (rows == 2 && !score.two_rows_show(g)) continue;
    const std::vector<RowProfile> profiles = score.profiles(g);
    const double shown = g.shown_end - g.shown_begin;
    const double ratio = 1 + 0.6 * px / shown;  // the far end moves by 0.6 mm
    for (const double gap_share : gap_shares) {
      std::vector<StepGrid> guesses;
      const double longest = 1.03 * shown / (2 - gap_share);
      for (double pitch = 0.97 * length / (columns - gap_share); pitch < longest; pitch *= ratio) {
        if (pitch < 2 * edge_mm * px) continue;
        // Of an odd number in two rows the corner at the dark end may be the empty one.
        for (int empty = 0; empty <= (rows == 2 ? steps % 2 : 0); ++empty) {
          StepGrid t = g;
          t.pitch = pitch;
          t.gap = gap_share * pitch;
          (dark_first ? t.dark_begin : t.dark_end) += (dark_first ? -1 : 1) * empty * pitch;
          t.begin =
              dark_first ? t.dark_begin - t.gap / 2 : t.dark_end + t.gap / 2 - columns * pitch;
          t.misfit = score.misfit(t, profiles);
          if (t.misfit < 1e8) guesses.push_back(t);
        }
      }
      for (StepGrid likely : best_apart(std::move(guesses))) {
        score.settle(likely, profiles);
        likely.scatter = shown_scatter(score, likely);
        if (likely.scatter > most_scatter || score.scatter(likely, edge_mm) > 2 * most_scatter ||
            !score.may_be_wedge(likely) || (unbitten && !score.has_unbitten(likely))) {
          continue;
        }
        const int unseen = score.unseen_cells(likely);
        (dark_first ? likely.unseen_after : likely.unseen_before) = unseen;
        // The profiles place the borders; whether a row's sides are right only its area tells.
        likely.misfit = std::hypot(likely.misfit, 0.25 * likely.scatter) * toll(unseen, gap_share);
        // Half the width fits as well, and leaves half of the wedge uncovered.
        if (score.goes_on(likely) || borders_of(likely).every > 1) likely.misfit *= 2;
        keep_better(likely, best);
      }
    }
  }
  return best;
}

// log10 units. Wiping changes less from one step to the next.
constexpr double border_shows = 0.03;

// Wiping and coarse grain change the tone inside a step by so much from one end to the other.
constexpr double inside_step = 0.045;

// Do the changes of tone lie at `at`, at + d, at + 2d ... and nowhere else? At least once two of them
// that follow each other must show with as good as nothing between: a ladder's strides do not
// alternate. Elsewhere (where the tone saturates) what lies between is no more than a step's own, but
// for one place in four.
bool only_every(const std::vector<double>& change, int d, int at) {
  const int n = static_cast<int>(change.size());
  const auto of = [&](int k) { return change[static_cast<std::size_t>(k)]; };
  int alternating = 0, odd = 0;
  double there = 0, between = 0;
  for (int k = 1; k < n; ++k) ((k - at) % d == 0 ? there : between) += of(k);
  if (there < 3 * between) return false;  // of many small strides some always seem to alternate
  for (int begin = at - d; begin < n; begin += d) {  // between the borders `begin` and begin + d
    const int end = begin + d;
    double most = 0;
    for (int k = std::max(1, begin + 1); k < std::min(n, end); ++k) most = std::max(most, of(k));
    const double before = begin >= at ? of(begin) : 0, after = end < n ? of(end) : 0;
    if (std::min(before, after) > border_shows && most <= 0.3 * std::min(before, after)) {
      ++alternating;
    } else if (most > std::max(inside_step, 0.3 * std::max(before, after))) {
      ++odd;  // (the blur of a border reaches a little into the parts beside it)
    }
  }
  return alternating > 0 && 3 * odd <= alternating;
}

// The cells fall into whole parts of d, in each of which no border shows.
bool even_parts(const std::vector<double>& change, int d) {
  const int n = static_cast<int>(change.size());
  if (n % d != 0) return false;
  for (int k = 1; k < n; ++k) {
    if (k % d != 0 && change[static_cast<std::size_t>(k)] > border_shows) return false;
  }
  return true;
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

cv::Rect2d StepGrid::cell(int row, int column, double trim, double side_trim) const {
  const double a = begin + column * pitch + gap / 2 + trim;
  const double length = pitch - gap - 2 * trim;
  const double b = side_begin + row * side_pitch + row_gap / 2 + side_trim;
  const double side = side_pitch - row_gap - 2 * side_trim;
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
  dark.core = core;
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
  // The sides of the dark steps, whatever the metal round them prints.
  const cv::Rect half = box_above(f, dark.border + 0.45 * (most - dark.border), 6);
  if (!half.empty()) dark.core = half;
  const double low = dark.border + std::max(0.05, 0.06 * (most - dark.border));
  dark.box = box_above(f, low, 6);
  if (dark.box.empty()) return std::nullopt;
  return dark;
}

bool cut_off(const WedgeFrame& f, const DarkBox& dark) {
  const int near = cvRound(1.5 * f.px_per_mm);
  const cv::Rect wider(
      dark.box.x - near, dark.box.y - near, dark.box.width + 2 * near, dark.box.height + 2 * near);
  const cv::Rect seen = wider & cv::Rect(0, 0, f.inside.cols, f.inside.rows);
  return seen != wider || cv::countNonZero(f.inside(seen)) < 0.98 * seen.area();
}

GridSearch::GridSearch(const WedgeFrame& frame, const DarkBox& dark)
    : score_(std::make_unique<const GridScore>(frame, dark)) {}

GridSearch::~GridSearch() = default;

std::optional<StepGrid> GridSearch::best(int steps, bool unbitten) const {
  std::optional<StepGrid> best;
  for (const bool along_y : {false, true}) {
    for (const bool dark_first : {false, true}) {
      for (const int rows : {1, 2}) {
        if (rows == 2 && steps < 4) continue;
        keep_better(anchored(*score_, steps, rows, along_y, dark_first, unbitten), best);
      }
    }
  }
  return best;
}

bool GridSearch::goes_on(const StepGrid& grid) const { return score_->goes_on(grid); }

double GridSearch::metal_beside(const StepGrid& grid, int column) const {
  return score_->beside(grid, column);
}

bool looks_like_steps(const StepGrid& g) {
  return g.range >= least_contrast && g.scatter < most_scatter && g.misfit < most_scatter;
}

GridBorders borders_of(const StepGrid& g) {
  // Of two rows the light ends may lie anywhere: all columns count.
  const int first = g.rows == 1 ? g.unseen_before : 0;
  const int seen = g.columns - first - (g.rows == 1 ? g.unseen_after : 0);
  GridBorders b;
  b.possible = std::max(0, seen - 1);
  // change[k]: at the border before the k-th cell of those seen; in either row.
  std::vector<double> change(static_cast<std::size_t>(std::max(1, seen)), 0.0);
  for (std::size_t k = 1; k < change.size(); ++k) {
    for (int row = 0; row < g.rows; ++row) {
      const auto i = static_cast<std::size_t>(row * g.columns + first) + k;
      change[k] = std::max(change[k], std::fabs(g.level[i] - g.level[i - 1]));
    }
    if (change[k] > border_shows) ++b.shown;
  }
  // The first step that can be told begins with a border, too, where unseen cells lie before it.
  std::vector<double> with_metal = change;
  if (g.rows == 1 && seen > 0 && first > 0) {
    with_metal[0] = std::fabs(g.level[static_cast<std::size_t>(first)] -
                              g.level[static_cast<std::size_t>(first - 1)]);
    with_metal.insert(with_metal.begin(), 0.0);
  } else if (g.rows == 1 && seen > 0 && g.unseen_after > 0) {
    const auto last = static_cast<std::size_t>(first + seen);
    with_metal.push_back(std::fabs(g.level[last] - g.level[last - 1]));
  }
  const int cells = static_cast<int>(change.size());
  for (int d = cells / 2; d >= 2; --d) {
    if (even_parts(change, d)) {
      b.every = d;
      b.steps = cells / d;
      return b;
    }
    if (g.gap > 0) continue;  // its borders show by the gaps
    for (int at = 1; at <= d; ++at) {
      if (!only_every(with_metal, d, at)) continue;
      b.every = d;
      b.steps = (static_cast<int>(with_metal.size()) - 1 - at) / d + 2;
      return b;
    }
  }
  return b;
}

}  // namespace rebite::wedge

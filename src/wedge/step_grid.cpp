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
double toll(int unseen, double gap_share) { return 1 + 0.02 * unseen + 0.3 * gap_share; }

// Of tone, inside the cells: three times what grain and wiping leave in a plain wedge.
constexpr double most_scatter = 0.03;

// Of unbitten metal round the steps, where it was wiped so little that it counts as dark.
constexpr double widest_border_mm = 6;

constexpr double gap_shares[] = {0.0, 0.08, 0.16, 0.25, 0.35};

void keep_better(const std::optional<StepGrid>& found, std::optional<StepGrid>& best) {
  if (found && found->misfit < 1e8 && (!best || found->misfit < best->misfit)) best = found;
}

// Scatter in the cells whose middles lie in the dark box. Light steps scatter more in tone: only
// the dark ones let two grids be compared.
double core_scatter(const GridScore& score, const StepGrid& g, double trim_mm) {
  StepGrid core = g;
  const int before = std::max(0, cvCeil((g.dark_begin - g.begin) / g.pitch - 0.5));
  const int after = std::max(0, cvCeil(g.columns - (g.dark_end - g.begin) / g.pitch - 0.5));
  core.begin += before * g.pitch;
  core.columns -= before + after;
  return core.columns > 0 ? score.scatter(core, trim_mm) : 1e9;
}

// The few best guesses of different pitch.
std::vector<StepGrid> best_apart(std::vector<StepGrid> guesses) {
  std::sort(guesses.begin(), guesses.end(), [](const StepGrid& a, const StepGrid& b) {
    return a.misfit < b.misfit;
  });
  std::vector<StepGrid> few;
  for (const StepGrid& g : guesses) {
    const bool near = std::any_of(few.begin(), few.end(), [&](const StepGrid& f) {
      return std::fabs(f.pitch / g.pitch - 1) < 0.6 / g.columns;
    });
    if (!near) few.push_back(g);
    if (few.size() == 3) break;
  }
  return few;
}

// One row of `steps` cells from the dark end of the box. Its light steps may lie past the box,
// where nothing is dark: so the pitch is open, and the cells' evenness tells it.
std::optional<StepGrid> one_row(const GridScore& score, int steps, bool along_y, bool dark_first) {
  const cv::Rect& box = score.dark().box;
  const cv::Rect& core = score.dark().core;
  const double px = score.px_per_mm();
  // The dark end and the sides as the dark steps show them; the light end as far as anything shows.
  double from = along_y ? box.y : box.x;
  double to = from + (along_y ? box.height : box.width);
  const double core_from = along_y ? core.y : core.x;
  const double core_to = core_from + (along_y ? core.height : core.width);
  const double border = widest_border_mm * px;
  if (dark_first && core_from - from < border) from = core_from;
  if (!dark_first && to - core_to < border) to = core_to;
  const double length = to - from;
  double side_from = along_y ? box.x : box.y;
  double side_to = side_from + (along_y ? box.width : box.height);
  const double core_side_from = along_y ? core.x : core.y;
  const double core_side_to = core_side_from + (along_y ? core.width : core.height);
  if (core_side_from - side_from < border) side_from = core_side_from;
  if (side_to - core_side_to < border) side_to = core_side_to;
  std::optional<StepGrid> best;
  for (const double gap_share : gap_shares) {
    std::vector<StepGrid> guesses;
    const double longest = 1.03 * length / (2 - gap_share);
    const double ratio = 1 + 0.6 * px / length;  // the far end moves by 0.6 mm
    for (double pitch = 0.97 * length / (steps - gap_share); pitch < longest; pitch *= ratio) {
      if (pitch < 2 * edge_mm * px) continue;
      StepGrid g;
      g.along_y = along_y;
      g.dark_first = dark_first;
      g.columns = steps;
      g.pitch = pitch;
      g.gap = gap_share * pitch;
      g.begin = dark_first ? from - g.gap / 2 : from + length + g.gap / 2 - steps * pitch;
      g.side_pitch = side_to - side_from;
      g.side_begin = side_from;
      g.dark_begin = from;
      g.dark_end = to;
      g.border = score.dark().border;
      g.misfit = score.scatter(g, edge_mm) * score.covering(g);
      if (g.misfit < 1e8) guesses.push_back(g);
    }
    for (StepGrid likely : best_apart(std::move(guesses))) {
      score.settle(likely);
      if (score.scatter(likely, edge_mm) > 2 * most_scatter || !score.gaps_are_light(likely) ||
          !score.faint_cells_are_even(likely)) {
        continue;
      }
      const int unseen = score.unseen_cells(likely);
      (dark_first ? likely.unseen_after : likely.unseen_before) = unseen;
      likely.core_misfit = core_scatter(score, likely, edge_mm);
      // Close to the borders: a pitch a little off shows there first.
      likely.misfit =
          core_scatter(score, likely, settle_mm) * score.covering(likely) * toll(unseen, gap_share);
      keep_better(likely, best);
    }
  }
  return best;
}

// Two rows: every column holds a step that shows, but perhaps one at an end.
std::optional<StepGrid> two_rows(const GridScore& score, int steps, bool along_y) {
  const cv::Rect& box = score.dark().box;
  const double length = along_y ? box.height : box.width;
  const double side = along_y ? box.width : box.height;
  const int columns = (steps + 1) / 2;
  std::optional<StepGrid> best;
  if (columns < 2) return best;
  for (const int before : {0, 1}) {
    for (const int after : {0, 1}) {
      const int seen = columns - before - after;
      if (before + after > 1) continue;
      for (const double gap_share : gap_shares) {
        StepGrid g;
        g.along_y = along_y;
        g.rows = 2;
        g.columns = columns;
        g.pitch = length / (seen - gap_share);
        g.gap = gap_share * g.pitch;
        if (g.pitch < 2 * edge_mm * score.px_per_mm()) continue;
        g.begin = (along_y ? box.y : box.x) - g.gap / 2 - before * g.pitch;
        g.dark_begin = along_y ? box.y : box.x;
        g.dark_end = g.dark_begin + length;
        g.side_pitch = (side + g.gap) / 2;
        g.side_begin = (along_y ? box.x : box.y) - g.gap / 2;
        g.unseen_before = before;
        g.unseen_after = after;
        g.border = score.dark().border;
        score.settle(g);
        g.misfit = score.scatter(g, edge_mm) * toll(before + after, gap_share);
        if (g.misfit > 1e8 || !score.gaps_are_light(g) || GridScore::rows_repeat(g)) continue;
        g.core_misfit = g.misfit;
        keep_better(g, best);
      }
    }
  }
  return best;
}

}  // namespace

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
  const double low = dark.border + std::max(0.05, 0.06 * (most - dark.border));
  dark.box = box_above(f, low, 6);
  if (dark.box.empty()) return std::nullopt;
  return dark;
}

GridSearch::GridSearch(const WedgeFrame& frame, const DarkBox& dark)
    : score_(std::make_unique<const GridScore>(frame, dark)) {}

GridSearch::~GridSearch() = default;

std::optional<StepGrid> GridSearch::best(int steps) const {
  std::optional<StepGrid> best;
  for (const bool along_y : {false, true}) {
    for (const bool dark_first : {false, true}) {
      keep_better(one_row(*score_, steps, along_y, dark_first), best);
    }
    if (steps >= 4) keep_better(two_rows(*score_, steps, along_y), best);
  }
  return best;
}

bool GridSearch::goes_on(const StepGrid& grid) const {
  return grid.rows == 1 && score_->goes_on(grid);
}

double GridSearch::metal_beside(const StepGrid& grid, int column) const {
  return score_->beside(grid, column);
}

bool looks_like_steps(const StepGrid& g) {
  return g.range >= least_contrast && g.core_misfit < most_scatter && g.misfit < 2 * most_scatter;
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
      all_flat = std::fabs(g.level[i] - g.level[i - 1]) < 0.03;
    }
    if (all_flat) return d;
  }
  return 1;
}

}  // namespace rebite::wedge

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "wedge/measure_cell.h"
#include "wedge/read_wedge.h"
#include "wedge/step_grid.h"
#include "wedge/wedge_frame.h"

namespace rebite::wedge {
namespace {

constexpr int fewest_steps = 3;
constexpr int most_steps = 30;

std::vector<FoundStep> measure_all(const scan::DensityImage& scan,
                                   const WedgeFrame& frame,
                                   const StepGrid& grid,
                                   const FindOptions& options) {
  const double narrow = std::min(grid.pitch - grid.gap, grid.side_pitch) / frame.px_per_mm;
  const double trim = std::min(options.trim_mm, 0.25 * narrow) * frame.px_per_mm;
  cv::Mat1b mask(scan.relative.size(), uchar{0});
  std::vector<FoundStep> steps;
  for (int row = 0; row < grid.rows; ++row) {
    for (int column = 0; column < grid.columns; ++column) {
      FoundStep s = measure_cell(scan, frame, grid.cell(row, column, trim, trim), mask);
      s.row = row;
      s.column = column;
      s.seen = column >= grid.unseen_before && column < grid.columns - grid.unseen_after;
      steps.push_back(s);
    }
  }
  return steps;
}

// Two rows of an odd number of steps: one corner holds none. It is the corner at whose leaving out
// the rest is nearest to even strides of tone; among corners as light as bare metal the one whose
// row-neighbour is darkest, since a ladder has no such jump inside.
void drop_empty_corner(std::vector<FoundStep>& steps, const StepGrid& grid, int wanted) {
  if (static_cast<int>(steps.size()) != wanted + 1) return;
  const int last = grid.columns - 1;
  std::size_t empty = 0;
  double most = -1e9;
  for (const int row : {0, 1}) {
    for (const int column : {0, last}) {
      const auto at = [&](int c) { return static_cast<std::size_t>(row * grid.columns + c); };
      const double own = steps[at(column)].tone.density.value();
      const double beside = steps[at(column == 0 ? 1 : last - 1)].tone.density.value();
      if (beside - own > most) {
        most = beside - own;
        empty = at(column);
      }
    }
  }
  steps.erase(steps.begin() + static_cast<std::ptrdiff_t>(empty));
}

// The number of steps that the picture shows, by the grid that fits best; 0 if none does.
int count_steps(const GridSearch& search, int asked, const std::optional<StepGrid>& grid_asked) {
  const bool fits = grid_asked && looks_like_steps(*grid_asked);
  int found = fits ? asked : 0;
  // Another number must fit clearly better: one with an unseen cell more or less fits as well.
  double least = fits ? 0.8 * grid_asked->misfit : 1e9;
  for (int n = 2; n <= most_steps + 1; ++n) {
    if (n == asked) continue;
    const auto grid = search.best(n);
    if (!grid || !looks_like_steps(*grid) || cells_per_step(*grid) > 1) continue;
    const double misfit = grid->misfit * (1 + 0.1 * (grid->unseen_before + grid->unseen_after));
    if (misfit < least) {
      least = 0.95 * misfit;
      found = n;
    }
  }
  return found;
}

std::unexpected<Problem> other_number(const std::string& file, int found, int wanted) {
  return refuse(
      ProblemKind::data,
      fmt::format("{}: {} times were given, but the wedge shows {} steps (an unbitten step that "
                  "merges with the border may hide one more).",
                  file,
                  wanted,
                  found),
      "Give one time per step, the unbitten step as 0, or mark the wedge on the scan with "
      "--window.");
}

}  // namespace

Result<std::vector<FoundStep>> find_steps(const scan::DensityImage& wedge,
                                          const FindOptions& options) {
  const std::string file = scan_name(wedge);
  if (options.steps < fewest_steps || options.steps > most_steps) {
    return refuse(ProblemKind::usage,
                  fmt::format("{} times were given; a wedge has {} to {} steps.",
                              options.steps,
                              fewest_steps,
                              most_steps),
                  "Give one total time per step.");
  }
  const WedgeFrame frame = upright_frame(wedge, options.window_mm);
  const auto dark = find_dark_box(frame);
  if (!dark) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: no step wedge found: nothing on this scan is darker than its "
                              "surroundings by 0.15 D over a few millimetres.",
                              file),
                  "Scan the printed wedge, or say with --window where on the scan it lies.");
  }
  const GridSearch search(frame, *dark);
  const auto grid = search.best(options.steps);
  const int count = count_steps(search, options.steps, grid);
  if (count == 0) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: no step wedge of {} steps found: no row of equal, even steps "
                              "lies on this scan.",
                              file,
                              options.steps),
                  "Check that this is the wedge's scan and that one time is given per step, or say "
                  "with --window where on the scan it lies.");
  }
  if (count != options.steps) return other_number(file, count, options.steps);
  if (const int d = cells_per_step(*grid); d > 1) {
    return other_number(file, grid->columns * grid->rows / d, options.steps);
  }
  std::vector<FoundStep> steps = measure_all(wedge, frame, *grid, options);
  if (grid->rows == 2) drop_empty_corner(steps, *grid, options.steps);
  for (const FoundStep& s : steps) {
    if (!std::isfinite(s.tone.density.value()) || !std::isfinite(s.tone.sd_of_mean)) {
      return refuse(ProblemKind::data,
                    fmt::format("{}: a step of the wedge lies outside the scan or is too small to "
                                "measure.",
                                file),
                    "Scan the whole wedge, at 200 dpi or more, with paper showing all round.");
    }
  }
  return steps;
}

}  // namespace rebite::wedge

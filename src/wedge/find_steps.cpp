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

// A frame pixel on the scan, mm (the frame's own mm grow with a coarse grain).
double frame_px_mm(const scan::DensityImage& scan, const WedgeFrame& frame) {
  return std::hypot(frame.scan_from_frame(0, 0) / scan.px_per_mm_x(),
                    frame.scan_from_frame(1, 0) / scan.px_per_mm_y());
}

std::vector<FoundStep> measure_all(const scan::DensityImage& scan,
                                   const WedgeFrame& frame,
                                   const StepGrid& grid,
                                   const FindOptions& options,
                                   cv::Mat1b& mask) {
  const double narrow = std::min(grid.pitch - grid.gap, grid.side_pitch) / frame.px_per_mm;
  const double trim = std::min(options.trim_mm, 0.25 * narrow) * frame.px_per_mm;
  const double px_mm = frame_px_mm(scan, frame);
  std::vector<FoundStep> steps;
  for (int row = 0; row < grid.rows; ++row) {
    for (int column = 0; column < grid.columns; ++column) {
      FoundStep s = measure_cell(scan, frame, grid.cell(row, column, trim, trim), mask);
      s.trimmed_mm = trim * px_mm;
      s.row = row;
      s.column = column;
      s.seen = column >= grid.unseen_before && column < grid.columns - grid.unseen_after;
      steps.push_back(s);
    }
  }
  return steps;
}

// Scatter of single pixels of the metal beside a step, as reflectance: of the side that prints
// nearer to `metal` (the other may be paper).
double metal_grain(const scan::DensityImage& scan,
                   const WedgeFrame& frame,
                   const StepGrid& grid,
                   int column,
                   double metal,
                   cv::Mat1b& mask) {
  StepGrid strip = grid;
  strip.rows = 1;
  strip.side_pitch = 1.5 * frame.px_per_mm;
  strip.row_gap = 0;
  const double near = 1.5 * frame.px_per_mm;
  const double sides[] = {grid.side_begin - near - strip.side_pitch,
                          grid.side_begin + grid.rows * grid.side_pitch + near};
  double grain = 0, nearest = 1e9;
  for (const double side : sides) {
    strip.side_begin = side;
    const FoundStep s = measure_cell(scan, frame, strip.cell(0, column, near, 0), mask);
    const double off = std::fabs(s.tone.density.value() - metal);
    if (!(off < nearest)) continue;
    nearest = off;
    grain = s.tone.grain_sd;
  }
  return grain;
}

// Two rows of an odd number of steps: one corner holds none. It is a corner as light as bare metal;
// if several are, the one whose row-neighbour is darkest, since a ladder has no such jump inside.
void drop_empty_corner(std::vector<FoundStep>& steps, const StepGrid& grid, int wanted) {
  if (static_cast<int>(steps.size()) != wanted + 1) return;
  const int last = grid.columns - 1;
  const auto tone = [&](int row, int column) {
    return steps[static_cast<std::size_t>(row * grid.columns + column)].tone.density.value();
  };
  const double lightest = std::min({tone(0, 0), tone(0, last), tone(1, 0), tone(1, last)});
  int empty = 0;
  double most = -1e9;
  for (const int row : {0, 1}) {
    for (const int column : {0, last}) {
      const double jump = tone(row, column == 0 ? 1 : last - 1) - tone(row, column);
      if (tone(row, column) > lightest + 0.03 || jump < most) continue;
      most = jump;
      empty = row * grid.columns + column;
    }
  }
  steps.erase(steps.begin() + empty);
}

// Steps of the same width: the same picture, with one more or less at an end.
bool same_picture(const StepGrid& a, const StepGrid& b) {
  return a.along_y == b.along_y && a.rows == b.rows && std::fabs(a.pitch / b.pitch - 1) < 0.04;
}

// The number of steps that the picture shows; 0 if it shows none.
int count_steps(const GridSearch& search,
                int asked,
                bool unbitten,
                const std::optional<StepGrid>& grid_asked) {
  const bool fits = grid_asked && looks_like_steps(*grid_asked);
  int found = fits ? asked : 0;
  // Against the number asked for another one must fit so much better; narrower steps fit a little
  // better by themselves.
  constexpr double clearly = 0.6, clearly_finer = 0.45;
  if (fits && grid_asked->misfit * clearly < finest_misfit) return found;
  std::vector<StepGrid> others;
  for (int n = 2; n <= most_steps + 1; ++n) {
    if (n == asked) continue;
    const auto grid = search.best(n, unbitten);
    if (!grid || !looks_like_steps(*grid) || borders_of(*grid).every > 1) continue;
    if (fits && (same_picture(*grid_asked, *grid) ||
                 grid->misfit > (n > asked ? clearly_finer : clearly) * grid_asked->misfit)) {
      continue;
    }
    others.push_back(*grid);
  }
  if (others.empty()) return found;
  double least = 1e9;
  for (const StepGrid& g : others) least = std::min(least, g.misfit);
  // Steps cut into parts fit as well: the fewest.
  const auto best = std::find_if(
      others.begin(), others.end(), [&](const StepGrid& g) { return g.misfit <= 1.05 * least; });
  found = best->rows == 1 ? best->columns : best->rows * best->columns;
  // Light steps that the better-fitting shorter row left out.
  for (; found < most_steps && search.goes_on(*best); found += best->rows) {
    if (!best->dark_first) best->begin -= best->pitch;
    ++best->columns;
  }
  return found;
}

// The width of step is told by two borders between steps, or by one and the dark end: else one dark
// step cut in two is as good a row.
bool borders_show(const StepGrid& g) {
  const GridBorders b = borders_of(g);
  return b.possible > 0 && b.shown >= std::min(2, b.possible);
}

std::string size_of(const scan::DensityImage& scan) {
  return fmt::format("{:.0f} x {:.0f} mm at {:.0f} dpi",
                     scan.relative.cols / scan.px_per_mm_x(),
                     scan.relative.rows / scan.px_per_mm_y(),
                     25.4 * scan.px_per_mm_x());
}

constexpr const char* if_size_is_wrong =
    " If that is not the scan's size, the resolution in the file is wrong, and it counts before --dpi: "
    "save the scan with the right one, or with none and give --dpi.";

// `coarse`: by how much the grain is coarser than usual.
std::unexpected<Problem> no_wedge(const scan::DensityImage& scan, int steps, double coarse) {
  const std::string what = fmt::format(
      "{}: no step wedge of {} steps found: no row of equal, even steps lies on this scan, which is {}.",
      scan_name(scan),
      steps,
      size_of(scan));
  if (coarse > 1.2) {
    return refuse(ProblemKind::data,
                  what + fmt::format(" Its grain is {:.1f} times as coarse as usual.", coarse),
                  std::string("Check that one time is given per step. If something else that is dark "
                              "lies on the scan (a stamp, a label, a spot of ink), say with --window "
                              "where the wedge lies. If not, bite a wedge with wider steps (14 mm and "
                              "more) that touch, so that each holds enough grains to be even.") +
                      if_size_is_wrong);
  }
  return refuse(ProblemKind::data,
                what,
                std::string("Check that this is the wedge's scan and that one time is given per step, or "
                            "say with --window where on the scan it lies.") +
                    if_size_is_wrong);
}

// A row was looked for in vain, and what is dark goes on to where the scan or the window ends.
std::unexpected<Problem> part_of_a_wedge(const std::string& file, bool window) {
  if (window) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: the window cuts through what is dark on the scan: it holds only a "
                              "part of the wedge.",
                              file),
                  "Let --window hold the whole wedge with 3 mm of unbitten metal or paper round it.");
  }
  return refuse(ProblemKind::data,
                fmt::format("{}: what is dark on this scan goes on to its edge: it shows only a part "
                            "of the wedge, or something dark beside it.",
                            file),
                "Scan the whole wedge with 10 mm of bare paper all round, or say with --window where "
                "on the scan it lies.");
}

// Where nothing dark is: a window given in other units than mm, or a wrong resolution, looks so.
std::unexpected<Problem> nothing_dark(const scan::DensityImage& scan,
                                      const std::optional<cv::Rect2d>& window_mm) {
  const std::string file = scan_name(scan);
  const double width = scan.relative.cols / scan.px_per_mm_x();
  const double height = scan.relative.rows / scan.px_per_mm_y();
  const std::string size = size_of(scan);
  if (!window_mm) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: no step wedge found: nothing on this scan ({}) is darker than its "
                              "surroundings by 0.15 D over a few millimetres.",
                              file,
                              size),
                  std::string("Scan the printed wedge.") + if_size_is_wrong);
  }
  const cv::Rect2d& w = *window_mm;
  const std::string window =
      fmt::format("the window, {:g} x {:g} mm at {:g},{:g} mm,", w.width, w.height, w.x, w.y);
  const bool beside = w.x >= width || w.y >= height || w.br().x <= 0 || w.br().y <= 0;
  return refuse(
      ProblemKind::data,
      beside ? fmt::format("{}: {} lies outside the scan, which is {}.", file, window, size)
             : fmt::format("{}: {} holds nothing that is darker than its surroundings by 0.15 D over "
                           "a few millimetres; the scan is {}.",
                           file,
                           window,
                           size),
      std::string("Give --window in mm from the scan's top-left corner, X,Y,WIDTH,HEIGHT, round the whole "
                  "wedge.") +
          if_size_is_wrong);
}

std::unexpected<Problem> other_number(const std::string& file, int found, int wanted) {
  return refuse(
      ProblemKind::data,
      fmt::format("{}: {} times were given, but the wedge shows {} steps (an unbitten step that "
                  "merges with the border may hide one more).",
                  file,
                  wanted,
                  found),
      "Give one time per step, the unbitten step as 0, or say with --window where on the scan the "
      "whole wedge lies.");
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
  if (!dark) return nothing_dark(wedge, options.window_mm);
  const GridSearch search(frame, *dark);
  const auto grid = search.best(options.steps, options.unbitten);
  const int count = count_steps(search, options.steps, options.unbitten, grid);
  if (count != options.steps && cut_off(frame, *dark)) {
    return part_of_a_wedge(file, options.window_mm.has_value());
  }
  if (count == 0) {
    return no_wedge(wedge, options.steps, frame.px_per_mm * frame_px_mm(wedge, frame));
  }
  if (count != options.steps) return other_number(file, count, options.steps);
  if (search.goes_on(*grid)) return other_number(file, options.steps + 1, options.steps);
  if (const GridBorders b = borders_of(*grid); b.every > 1) {
    if (cut_off(frame, *dark)) return part_of_a_wedge(file, options.window_mm.has_value());
    return other_number(file, b.steps * grid->rows, options.steps);
  }
  if (!borders_show(*grid)) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: too few borders between the {} steps show: neighbours look alike, "
                              "and where one ends cannot be told.",
                              file,
                              options.steps),
                  "Bite a wedge whose times lie closer together at the light end, so that its steps "
                  "differ.");
  }
  cv::Mat1b mask(wedge.relative.size(), uchar{0});  // scratch of measure_cell
  std::vector<FoundStep> steps = measure_all(wedge, frame, *grid, options, mask);
  if (grid->rows == 2) drop_empty_corner(steps, *grid, options.steps);
  for (FoundStep& s : steps) {
    // Else it may be the paper past a narrow border.
    const double metal = search.metal_beside(*grid, s.column);
    if (metal > 0.01) s.metal = Density::of(metal);
  }
  FoundStep& lightest = *std::ranges::min_element(
      steps, {}, [](const FoundStep& s) { return s.tone.density.value(); });
  if (lightest.metal) {
    lightest.metal_grain_sd =
        metal_grain(wedge, frame, *grid, lightest.column, lightest.metal->value(), mask);
  }
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

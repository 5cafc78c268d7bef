#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "wedge/read_wedge.h"
#include "wedge/step_grid.h"
#include "wedge/wedge_frame.h"

namespace rebite::wedge {
namespace {

constexpr int fewest_steps = 3;
constexpr int most_steps = 30;

std::string file_of(const scan::DensityImage& scan) {
  const std::string name = scan.info.file.filename().string();
  return name.empty() ? "the scan" : name;
}

Density median_pixel(const cv::Mat1f& relative, const cv::Rect& where, const cv::Mat1b& mask) {
  std::vector<float> v;
  for (int y = 0; y < where.height; ++y) {
    for (int x = 0; x < where.width; ++x) {
      const float r = relative(where.y + y, where.x + x);
      if (mask(where.y + y, where.x + x) && !std::isnan(r)) v.push_back(r);
    }
  }
  if (v.empty()) return Density::of(0);
  const auto middle = v.begin() + static_cast<std::ptrdiff_t>(v.size() / 2);
  std::nth_element(v.begin(), middle, v.end());
  return Density::of_reflectance(std::max(static_cast<double>(*middle), 1e-4));
}

FoundStep measure(const scan::DensityImage& scan,
                  const WedgeFrame& frame,
                  const cv::Rect2d& cell,
                  cv::Mat1b& mask) {
  FoundStep step;
  // Corners are cell edges between frame pixels: pixel centres lie half a pixel in.
  const double x0 = cell.x - 0.5, y0 = cell.y - 0.5;
  const double x1 = x0 + cell.width, y1 = y0 + cell.height;
  const cv::Point2d corners[4] = {
      frame.to_scan(x0, y0), frame.to_scan(x1, y0), frame.to_scan(x1, y1), frame.to_scan(x0, y1)};
  std::vector<cv::Point> polygon;
  constexpr int shift = 4;
  for (std::size_t i = 0; i < 4; ++i) {
    step.corners_px[i] = cv::Point2f(corners[i]);
    polygon.emplace_back(cvRound(corners[i].x * (1 << shift)),
                         cvRound(corners[i].y * (1 << shift)));
  }
  cv::Rect where =
      cv::boundingRect(std::vector<cv::Point2f>(step.corners_px.begin(), step.corners_px.end()));
  where = (where + cv::Size(2, 2)) & cv::Rect(0, 0, mask.cols, mask.rows);
  mask.setTo(0);
  cv::fillConvexPoly(mask, polygon, cv::Scalar(255), cv::LINE_8, shift);
  // Blocks of about 1.2 mm: several grains wide, so that blocks err on their own.
  const int block = std::max(4, cvRound(1.2 * scan.px_per_mm_x()));
  step.tone = scan::mean_tone(scan.relative, where, mask, block);
  step.median = median_pixel(scan.relative, where, mask);
  return step;
}

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
      FoundStep s = measure(scan, frame, grid.cell(row, column, trim, trim), mask);
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
  const std::string file = file_of(wedge);
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

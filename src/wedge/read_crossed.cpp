#include "wedge/read_crossed.h"

#include <fmt/format.h>

#include <algorithm>
#include <cassert>
#include <cmath>
#include <numeric>

#include "wedge/frame_sums.h"
#include "wedge/isotonic.h"
#include "wedge/measure_cell.h"
#include "wedge/step_grid.h"
#include "wedge/strip_borders.h"

namespace rebite::wedge {
namespace {

constexpr double trim_mm = 1.5;
constexpr double faint_step = 0.015;  // of tone: a border that may still be believed when asked for
constexpr double even_cells = 0.06;   // of tone, sd inside the cells
constexpr double most_disorder = 0.025;  // log10 units, about one print's spread

using Cells = std::vector<std::vector<FoundStep>>;  // [place along x][place along y]

Result<void> check_times(const std::vector<BiteTime>& times, std::string_view which) {
  if (times.size() < 2 || times.size() > most_strips) {
    return refuse(ProblemKind::usage,
                  fmt::format("{} times were given for the {} ground of the crossed wedge; it has "
                              "2 to {} strips.",
                              times.size(),
                              which,
                              most_strips),
                  "Give one total time per strip, an unbitten strip as 0.");
  }
  std::vector<BiteTime> sorted = times;
  std::sort(sorted.begin(), sorted.end());
  const auto twice = std::adjacent_find(sorted.begin(), sorted.end());
  if (twice == sorted.end()) return {};
  return refuse(
      ProblemKind::usage,
      fmt::format(
          "Two strips of the {} ground have the same total time, {}.", which, clock_text(*twice)),
      "Give each strip its own total time.");
}

double cell_scatter(const WedgeFrame& frame, const StripBorders& x, const StripBorders& y) {
  const FrameSums tones(frame.tone, frame.inside);
  const double edge = 1.0 * frame.px_per_mm;
  double n = 0, scatter = 0;
  for (std::size_t i = 0; i + 1 < x.at.size(); ++i) {
    for (std::size_t j = 0; j + 1 < y.at.size(); ++j) {
      const double w = x.at[i + 1] - x.at[i], h = y.at[j + 1] - y.at[j];
      const double tx = std::min(edge, 0.25 * w), ty = std::min(edge, 0.25 * h);
      const auto p = tones.over({x.at[i] + tx, y.at[j] + ty, w - 2 * tx, h - 2 * ty});
      n += p.n;
      scatter += p.scatter();
    }
  }
  return n > 0 ? std::sqrt(scatter / n) : 1e9;
}

Cells measure(const scan::DensityImage& scan,
              const WedgeFrame& frame,
              const StripBorders& x,
              const StripBorders& y) {
  cv::Mat1b mask(scan.relative.size(), uchar{0});
  Cells cells;
  for (std::size_t i = 0; i + 1 < x.at.size(); ++i) {
    cells.emplace_back();
    for (std::size_t j = 0; j + 1 < y.at.size(); ++j) {
      const double w = x.at[i + 1] - x.at[i], h = y.at[j + 1] - y.at[j];
      const double tx = std::min(trim_mm * frame.px_per_mm, 0.25 * w);
      const double ty = std::min(trim_mm * frame.px_per_mm, 0.25 * h);
      cells.back().push_back(
          measure_cell(scan, frame, {x.at[i] + tx, y.at[j] + ty, w - 2 * tx, h - 2 * ty}, mask));
    }
  }
  return cells;
}

// Places in order of rising time, when the strips run from this or from the other end.
std::vector<std::size_t> by_time(const std::vector<BiteTime>& times, bool from_other_end) {
  std::vector<std::size_t> o(times.size());
  std::iota(o.begin(), o.end(), std::size_t{0});
  std::sort(o.begin(), o.end(), [&](auto a, auto b) { return times[a] < times[b]; });
  if (from_other_end) {
    for (std::size_t& k : o) k = times.size() - 1 - k;
  }
  return o;
}

std::vector<BiteTime> sorted(std::vector<BiteTime> t) {
  std::sort(t.begin(), t.end());
  return t;
}

double disorder(const CrossedGrid& g) {
  double sum = 0, n = 0;
  const auto add = [&](const std::vector<double>& line) {
    const auto rising = isotonic(line);
    for (std::size_t i = 0; i < line.size(); ++i) {
      sum += (line[i] - rising[i]) * (line[i] - rising[i]);
      ++n;
    }
  };
  for (const auto& row : g.density) {
    std::vector<double> line;
    for (const auto& d : row) line.push_back(d.value.value());
    add(line);
  }
  for (std::size_t j = 0; j < g.second.size(); ++j) {
    std::vector<double> line;
    for (const auto& row : g.density) line.push_back(row[j].value.value());
    add(line);
  }
  return std::sqrt(sum / n);
}

// The cells with the first ground's strips along x (or y), in the directions that fit best.
CrossedReading oriented(const Cells& cells, const CrossedTimes& times, bool first_along_y) {
  CrossedReading best;
  best.disorder = 1e9;
  for (const bool flip_first : {false, true}) {
    for (const bool flip_second : {false, true}) {
      const auto first = by_time(times.first, flip_first);
      const auto second = by_time(times.second, flip_second);
      CrossedReading r;
      r.grid.first = sorted(times.first);
      r.grid.second = sorted(times.second);
      for (const std::size_t i : first) {
        r.grid.density.emplace_back();
        for (const std::size_t j : second) {
          const FoundStep& c = first_along_y ? cells[j][i] : cells[i][j];
          r.grid.density.back().push_back({c.tone.density, c.tone.sd_of_mean});
        }
      }
      r.disorder = disorder(r.grid);
      if (r.disorder < best.disorder) best = std::move(r);
    }
  }
  return best;
}

bool measured(const Cells& cells) {
  return std::all_of(cells.begin(), cells.end(), [](const auto& line) {
    return std::all_of(line.begin(), line.end(), [](const FoundStep& c) {
      return std::isfinite(c.tone.density.value()) && std::isfinite(c.tone.sd_of_mean);
    });
  });
}

std::unexpected<Problem> no_grid(const std::string& file, const std::string& why) {
  return refuse(ProblemKind::data,
                fmt::format("{}: no crossed wedge found: {}.", file, why),
                "Scan the print of a plate bitten in strips through one ground and, cleaned and "
                "laid again, in strips across them; or say with --window where on the scan it "
                "lies.");
}

}  // namespace

Result<std::vector<CrossedReading>> read_crossed(const scan::DensityImage& scan,
                                                 const CrossedTimes& times,
                                                 const std::optional<cv::Rect2d>& window_mm) {
  if (auto ok = check_times(times.first, "first"); !ok) return std::unexpected(ok.error());
  if (auto ok = check_times(times.second, "second"); !ok) return std::unexpected(ok.error());
  const std::string file = scan_name(scan);
  const WedgeFrame frame = upright_frame(scan, window_mm);
  const auto dark = find_dark_box(frame);
  if (!dark) return no_grid(file, "nothing on it is darker than its surroundings by 0.15 D");
  const cv::Rect box = without_metal(frame, dark->box);
  const int seen_x = count_strips(frame, box, false);
  const int seen_y = count_strips(frame, box, true);
  const int first = static_cast<int>(times.first.size());
  const int second = static_cast<int>(times.second.size());
  std::vector<CrossedReading> readings;
  bool right_numbers = false;
  double least_disorder = 1e9;
  for (const bool first_along_y : {false, true}) {
    const int along_x = first_along_y ? second : first;
    const int along_y = first_along_y ? first : second;
    if (seen_x > along_x || seen_y > along_y) continue;
    const StripBorders x = cut_strips(frame, box, false, along_x);
    const StripBorders y = cut_strips(frame, box, true, along_y);
    if (x.count() != along_x || y.count() != along_y || x.faintest_step() < faint_step ||
        y.faintest_step() < faint_step || cell_scatter(frame, x, y) > even_cells) {
      continue;
    }
    right_numbers = true;
    const Cells cells = measure(scan, frame, x, y);
    if (!measured(cells)) continue;
    CrossedReading r = oriented(cells, times, first_along_y);
    least_disorder = std::min(least_disorder, r.disorder);
    if (r.disorder <= most_disorder) readings.push_back(std::move(r));
  }
  if (!right_numbers) {
    return no_grid(file,
                   fmt::format("{} by {} times were given, but it shows {} by {} even strips",
                               first,
                               second,
                               seen_x,
                               seen_y));
  }
  if (readings.empty()) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: the patches of the crossed wedge do not get darker with the "
                              "times: they are {:.3f} D out of order, and {:.3f} D is a print's "
                              "spread.",
                              file,
                              least_disorder,
                              most_disorder),
                  "Check the times of the strips of both grounds, and that they are totals.");
  }
  std::sort(readings.begin(), readings.end(), [](const auto& a, const auto& b) {
    return a.disorder < b.disorder;
  });
  return readings;
}

}  // namespace rebite::wedge

#include "tone/region_map.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "tone/borders.h"
#include "tone/cells.h"
#include "tone/edges.h"
#include "tone/inking.h"
#include "tone/measure.h"
#include "tone/narrow.h"
#include "tone/numbering.h"
#include "tone/partition.h"

namespace rebite::tone {
namespace {

constexpr double kBlockMm = 1.0;
constexpr double kStopCoarse = 2.5;  // mm, see merge_parts
constexpr double kStopFine = 4.0;
constexpr double kBevelMm = 1.0;

std::size_t at(int i) { return static_cast<std::size_t>(i); }

struct Masks {
  cv::Mat1b usable, unseen;
  double seen = 0;  // share of the plate
};

Masks masks_of(const align::PlatePair& pair, const cv::Mat1b& leave) {
  Masks m;
  m.usable.create(pair.proof.size());
  m.unseen.create(pair.proof.size());
  double seen = 0;
  for (int i = 0; i < pair.proof.rows; ++i) {
    for (int j = 0; j < pair.proof.cols; ++j) {
      const bool known = pair.tile_class.empty() ||
                         pair.tile_class(i, j) != static_cast<uchar>(align::TileClass::unseen);
      const bool ok = known && std::isfinite(pair.proof(i, j)) && std::isfinite(pair.drawing(i, j));
      m.unseen(i, j) = ok ? 0 : 255;
      m.usable(i, j) = ok && (leave.empty() || !leave(i, j)) ? 255 : 0;
      seen += ok ? 1 : 0;
    }
  }
  m.seen = seen / static_cast<double>(pair.proof.total());
  return m;
}

// One cutting of the plate: blocks, merged, borders moved, nothing narrow.
int cut(const Cells& c, const cv::Mat1b& left_out, double brush_mm, cv::Mat1i& labels) {
  int count = 0;
  labels = block_labels(c, kBlockMm, count);
  const auto merge = [&](double stop_at) {
    const std::vector<int> to = merge_parts(graph_of(labels, count, c, left_out), stop_at);
    relabel(labels, to);
    count = to.empty() ? 0 : *std::max_element(to.begin(), to.end()) + 1;
  };
  merge(kStopCoarse);
  move_borders(labels, count, c, left_out, {});
  count = split_pieces(labels);
  count = merge_narrow(labels, count, c, left_out, 0.6 * brush_mm);
  merge(kStopFine);
  move_borders(labels, count, c, left_out, {});
  trim_spurs(labels, count, c, left_out, 0.8 * brush_mm);
  count = split_pieces(labels);
  count = merge_narrow(labels, count, c, left_out, brush_mm);
  merge(kStopFine);
  return count;
}

// Coarse parts of the difference as it is, joined where it has no edge; then the fit.
InkingFit inking_of(const Cells& c, const cv::Mat1b& left_out) {
  int count = 0;
  cv::Mat1i labels = block_labels(c, kBlockMm, count);
  const auto apply = [&](const std::vector<int>& to) {
    relabel(labels, to);
    count = to.empty() ? 0 : *std::max_element(to.begin(), to.end()) + 1;
  };
  apply(merge_parts(graph_of(labels, count, c, left_out), kStopCoarse));
  apply(join_without_edge(labels, count, c, left_out));
  return fit_inking(c, labels, count);
}

// The plate's outermost millimetre: its bevel, which inks and wipes in its own way.
cv::Mat1b rim_of(const Cells& c) {
  cv::Mat1b rim(c.proof.size(), static_cast<uchar>(255));
  const int wide = static_cast<int>(std::ceil(kBevelMm / c.mm));
  if (rim.cols > 4 * wide && rim.rows > 4 * wide) {
    rim(cv::Rect(wide, wide, rim.cols - 2 * wide, rim.rows - 2 * wide)) = 0;
  } else {
    rim = 0;
  }
  return rim;
}

// Within the noise, or less than a visible step.
bool is_still(const PartSums& s, const InkingFit& ink, double field_sd) {
  if (s.area <= 0) return true;
  const double step = visible_step(Density::of(0.5 * (s.now() + s.target()))).value();
  const double noise = std::sqrt(ink.inking.noise_density * ink.inking.noise_density +
                                 s.noise_gap() * s.noise_gap() + field_sd * field_sd);
  return std::abs(s.gap()) < std::max(step, 2.0 * noise);
}

// Means within each part only, so that edges stay: cells, then brought to the full grid.
cv::Mat1f tone_map(const cv::Mat1f& reflectance,
                   const cv::Mat1i& labels,
                   int count,
                   const Cells& c,
                   cv::Size full) {
  const double sigma = 1.0 / c.mm;
  cv::Mat1f out(labels.size(), std::numeric_limits<float>::quiet_NaN());
  std::vector<cv::Rect> rects(at(count));
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      if (labels(i, j) >= 0) rects[at(labels(i, j))] |= cv::Rect(j, i, 1, 1);
    }
  }
  for (int k = 0; k < count; ++k) {
    const cv::Rect r = rects[at(k)];
    if (r.empty()) continue;
    cv::Mat1f weight(r.size(), 0.F);
    for (int i = 0; i < r.height; ++i) {
      for (int j = 0; j < r.width; ++j) {
        if (labels(i + r.y, j + r.x) == k && c.usable(i + r.y, j + r.x)) weight(i, j) = 1.F;
      }
    }
    const cv::Mat1f s = smooth_over(reflectance(r), weight, sigma);
    for (int i = 0; i < r.height; ++i) {
      for (int j = 0; j < r.width; ++j) {
        if (labels(i + r.y, j + r.x) == k && std::isfinite(s(i, j))) {
          out(i + r.y, j + r.x) = static_cast<float>(density_of(static_cast<double>(s(i, j))));
        }
      }
    }
  }
  cv::Mat1f big(full);
  for (int i = 0; i < full.height; ++i) {
    for (int j = 0; j < full.width; ++j) big(i, j) = out(i / c.factor, j / c.factor);
  }
  return big;
}

}  // namespace

Result<RegionMap> find_regions(const align::PlatePair& pair,
                               const RegionOptions& options,
                               const Progress& progress) {
  CV_Assert(pair.proof.size() == pair.drawing.size());
  CV_Assert(options.leave.empty() || options.leave.size() == pair.proof.size());
  CV_Assert(options.previous_labels.empty() || options.previous_labels.size() == pair.proof.size());
  RegionMap out;
  out.grid = pair.grid;
  const double px_per_mm = pair.grid.px_per_mm;
  const Masks masks = masks_of(pair, options.leave);
  if (masks.seen < 0.02) {
    return refuse(ProblemKind::data,
                  fmt::format("Only {:.1f} % of the plate was seen on both the proof and the "
                              "drawing; at least 2 % is needed.",
                              100 * masks.seen),
                  "Scan both sheets whole, with the plate mark, and try again.");
  }
  progress.at(0.05, "taking the inking out");
  cv::Mat1f drawing = pair.drawing.clone();
  Cells cells = make_cells(pair.proof, drawing, masks.usable, pair.sigma_mm, px_per_mm);
  const cv::Mat1b rim = rim_of(cells);
  const InkingFit ink = inking_of(cells, rim);
  take_inking_off(drawing, ink.field, cells.factor);
  take_inking_off(cells.drawing, ink.field, 1);
  out.inking = ink.inking;
  out.notes = ink.notes;

  progress.at(0.3, "finding areas");
  cv::Mat1i coarse;
  const int count = cut(cells, rim, options.brush_mm, coarse);
  progress.at(0.7, "drawing the borders");
  const cv::Mat1i parts = fine_labels(coarse, count, cells, rim, {}, pair.proof.size());

  const PartGraph graph = graph_of(coarse, count, cells, rim);
  std::vector<int> to_region(at(count), -1);
  std::vector<RegionKind> kind;
  for (int k = 0; k < count; ++k) {
    if (is_still(graph.parts[at(k)], ink, 0)) continue;
    to_region[at(k)] = static_cast<int>(kind.size());
    kind.push_back(RegionKind::area);
  }
  cv::Mat1i labels = parts.clone();
  relabel(labels, to_region);
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      if (!masks.usable(i, j)) labels(i, j) = -1;
    }
  }
  progress.at(0.85, "measuring");
  MeasureInput in;
  in.proof = pair.proof;
  in.drawing = drawing;
  in.usable = masks.usable;
  in.unseen = masks.unseen;
  in.labels = labels;
  in.kind = kind;
  in.px_per_mm = px_per_mm;
  in.cells = &cells;
  in.inking = &ink;
  in.doubt = options.doubt;
  std::vector<Region> regions = measure_regions(in);
  const std::vector<int> number =
      number_regions(labels, static_cast<int>(kind.size()), options.previous_labels);
  for (std::size_t k = 0; k < regions.size(); ++k) {
    regions[k].id = number[k];
    for (int& n : regions[k].neighbours) n = number[at(n)];
    std::sort(regions[k].neighbours.begin(), regions[k].neighbours.end());
  }
  out.labels.create(labels.size());
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      out.labels(i, j) =
          labels(i, j) < 0 ? static_cast<ushort>(0) : static_cast<ushort>(number[at(labels(i, j))]);
    }
  }
  std::sort(
      regions.begin(), regions.end(), [](const Region& a, const Region& b) { return a.id < b.id; });
  out.regions = std::move(regions);
  out.now = tone_map(cells.proof, coarse, count, cells, pair.proof.size());
  out.target = tone_map(cells.drawing, coarse, count, cells, pair.proof.size());
  out.gap = out.target - out.now;
  if (masks.seen < 0.995) {
    out.notes.push_back(fmt::format(
        "{:.1f} % of the plate was not seen by the alignment; nothing is advised there.",
        100 * (1 - masks.seen)));
  }
  progress.at(1, "regions found");
  return out;
}

}  // namespace rebite::tone

#include "tone/region_map.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <limits>
#include <map>
#include <opencv2/imgproc.hpp>

#include "tone/borders.h"
#include "tone/cells.h"
#include "tone/edges.h"
#include "tone/inking.h"
#include "tone/lines.h"
#include "tone/measure.h"
#include "tone/narrow.h"
#include "tone/numbering.h"
#include "tone/partition.h"
#include "tone/passages.h"

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

// The plate cut into parts on the cell grid.
struct Cut {
  cv::Mat1i labels;
  int count = 0;
  void apply(const std::vector<int>& to) {
    relabel(labels, to);
    count = to.empty() ? 0 : *std::max_element(to.begin(), to.end()) + 1;
  }
  void merge(const Cells& c, const cv::Mat1b& left_out, double stop_at) {
    apply(merge_parts(graph_of(labels, count, c, left_out), stop_at));
  }
};

Cut coarse_cut(const Cells& c, const cv::Mat1b& left_out) {
  Cut cut;
  cut.labels = block_labels(c, kBlockMm, cut.count);
  cut.merge(c, left_out, kStopCoarse);
  return cut;
}

// Borders moved to where the picture has them, nothing narrow.
Cut fine_cut(const Cells& c, const cv::Mat1b& left_out, double brush_mm) {
  Cut cut = coarse_cut(c, left_out);
  move_borders(cut.labels, cut.count, c, left_out, {});
  cut.count = split_pieces(cut.labels);
  cut.count = merge_narrow(cut.labels, cut.count, c, left_out, 0.6 * brush_mm);
  cut.merge(c, left_out, kStopFine);
  move_borders(cut.labels, cut.count, c, left_out, {});
  trim_spurs(cut.labels, cut.count, c, left_out, 0.8 * brush_mm);
  cut.count = split_pieces(cut.labels);
  cut.count = merge_narrow(cut.labels, cut.count, c, left_out, brush_mm);
  cut.merge(c, left_out, kStopFine);
  cut.apply(merge_alike(graph_of(cut.labels, cut.count, c, left_out), 0.8));
  return cut;
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

// Pieces smaller than `least` pixels go to the label that surrounds most of them.
void remove_specks(cv::Mat1i& labels, int least) {
  cv::Mat1i pieces = labels.clone();
  const int count = split_pieces(pieces);
  std::vector<int> size(at(count), 0);
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      if (pieces(i, j) >= 0) ++size[at(pieces(i, j))];
    }
  }
  std::vector<std::map<int, int>> around(at(count));
  const auto touch = [&](cv::Point a, cv::Point b) {
    const int k = pieces(a);
    if (k < 0 || size[at(k)] >= least || labels(b) < 0 || labels(a) == labels(b)) return;
    if (size[at(pieces(b))] >= least) ++around[at(k)][labels(b)];
  };
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      const cv::Point q(j, i);
      for (const cv::Point n : {cv::Point(j + 1, i), cv::Point(j, i + 1)}) {
        if (n.x >= labels.cols || n.y >= labels.rows) continue;
        touch(q, n);
        touch(n, q);
      }
    }
  }
  std::vector<int> to(at(count), -1);
  for (int k = 0; k < count; ++k) {
    int most = 0;
    for (const auto& [label, n] : around[at(k)]) {
      if (n > most) {
        most = n;
        to[at(k)] = label;
      }
    }
  }
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      const int k = pieces(i, j);
      if (k >= 0 && size[at(k)] < least && to[at(k)] >= 0) labels(i, j) = to[at(k)];
    }
  }
}

// Labels that no pixel has left over go.
void drop_empty(cv::Mat1i& labels, std::vector<RegionKind>& kind) {
  std::vector<char> there(kind.size(), 0);
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      if (labels(i, j) >= 0) there[at(labels(i, j))] = 1;
    }
  }
  std::vector<int> to(kind.size(), -1);
  std::vector<RegionKind> kept;
  for (std::size_t k = 0; k < kind.size(); ++k) {
    if (!there[k]) continue;
    to[k] = static_cast<int>(kept.size());
    kept.push_back(kind[k]);
  }
  relabel(labels, to);
  kind = kept;
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
  const Cut coarse = coarse_cut(cells, rim);
  Cut joined{coarse.labels.clone(), coarse.count};
  joined.apply(join_without_edge(coarse.labels, coarse.count, cells, rim));
  const InkingFit ink = fit_inking(cells, joined.labels, joined.count);
  take_inking_off(drawing, ink.field, cells.factor);
  take_inking_off(cells.drawing, ink.field, 1);
  out.inking = ink.inking;
  out.notes = ink.notes;

  progress.at(0.3, "finding areas");
  Cut around = coarse;  // strokes must not be parts of their own in what surrounds them
  around.labels = coarse.labels.clone();
  around.count = merge_narrow(around.labels, around.count, cells, rim, options.brush_mm);
  const DrawnLines lines = find_lines(cells, around.labels, around.count, rim, options.brush_mm);
  cv::Mat1b left_out;
  cv::dilate(lines.mask, left_out, cv::Mat1b::ones(3, 3));
  left_out |= rim;
  const Cut parts = fine_cut(cells, left_out, options.brush_mm);
  const Passages passages = judge_passages(parts.labels,
                                           parts.count,
                                           cells,
                                           left_out,
                                           ink.inking.noise_density,
                                           ink.field_sd,
                                           options.brush_mm);
  cv::Mat1i joined_parts = parts.labels.clone();
  relabel(joined_parts, passages.region_of);
  const int all_kinds = static_cast<int>(passages.kinds.size());

  progress.at(0.7, "drawing the borders");
  BorderOptions last;
  last.rounds = 1;
  move_borders(joined_parts, all_kinds, cells, left_out, last);
  trim_spurs(joined_parts, all_kinds, cells, left_out, 0.6 * options.brush_mm);
  last.band_mm = 0.5;
  cv::Mat1i labels = fine_labels(joined_parts, all_kinds, cells, left_out, last, pair.proof.size());
  std::vector<int> to_region(at(all_kinds), -1);
  std::vector<RegionKind> kind;
  for (int k = 0; k < all_kinds; ++k) {
    to_region[at(k)] = all_kinds;  // everything still is one label until the specks are gone
    if (passages.kinds[at(k)] == RegionKind::still) continue;
    to_region[at(k)] = static_cast<int>(kind.size());
    kind.push_back(passages.kinds[at(k)]);
  }
  relabel(labels, to_region);
  remove_specks(labels, static_cast<int>(0.4 * std::pow(options.brush_mm * px_per_mm, 2)));
  const cv::Mat1i strokes = fine_lines(lines, cells.factor, labels.size());
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      if (labels(i, j) == all_kinds) labels(i, j) = -1;
      if (strokes(i, j) >= 0) labels(i, j) = static_cast<int>(kind.size()) + strokes(i, j);
      if (!masks.usable(i, j)) labels(i, j) = -1;
    }
  }
  kind.insert(kind.end(), at(lines.count), RegionKind::line);
  drop_empty(labels, kind);
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
  out.now = tone_map(cells.proof, parts.labels, parts.count, cells, pair.proof.size());
  out.target = tone_map(cells.drawing, parts.labels, parts.count, cells, pair.proof.size());
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

#include "tone/cut.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "tone/borders.h"
#include "tone/edges.h"
#include "tone/narrow.h"
#include "tone/tasks.h"

namespace rebite::tone {
namespace {

constexpr double kBlockMm = 1.0;
constexpr double kStopCoarse = 2.5;  // mm, see merge_parts
constexpr double kStopFine = 4.0;
constexpr double kBevelMm = 1.0;
constexpr double kSoftEdgeMm = 0.7;

// Cells that the bevel takes on each side; 0 where the plate is too small for one.
int rim_cells(const Cells& c) {
  const int wide = static_cast<int>(std::ceil(kBevelMm / c.mm));
  return c.proof.cols > 4 * wide && c.proof.rows > 4 * wide ? wide : 0;
}

// The rim is not measured. As a part of its own it would touch every part along the plate's edge, and
// what it was merged with would share that long border too: a corner's area was lost so.
void rim_follows_inside(cv::Mat1i& labels, const Cells& c) {
  const int wide = rim_cells(c);
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      const int inside = labels(std::clamp(i, wide, labels.rows - 1 - wide),
                                std::clamp(j, wide, labels.cols - 1 - wide));
      if (labels(i, j) >= 0 && inside >= 0) labels(i, j) = inside;
    }
  }
}

}  // namespace

void Cut::apply(const std::vector<int>& to) {
  relabel(labels, to);
  count = to.empty() ? 0 : *std::max_element(to.begin(), to.end()) + 1;
}

PartGraph core_graph(const Cut& cut, const Cells& c, const cv::Mat1b& left_out) {
  PartGraph whole;
  std::vector<PartSums> core;
  at_once({[&] {
             cv::Mat1b skip = near_borders(cut.labels, kSoftEdgeMm, c.mm);
             if (!left_out.empty()) skip |= left_out;
             core = sums_of(cut.labels, cut.count, c, skip);
           },
           [&] { whole = graph_of(cut.labels, cut.count, c, left_out); }});
  for (std::size_t k = 0; k < whole.parts.size(); ++k) {
    const double area = core[k].area;
    if (area >= 8 || area >= 0.3 * whole.parts[k].area) whole.parts[k] = core[k];
  }
  return whole;
}

Cut coarse_cut(const Cells& c, const cv::Mat1b& left_out) {
  Cut cut;
  cut.labels = block_labels(c, kBlockMm, cut.count);
  rim_follows_inside(cut.labels, c);
  cut.apply(merge_parts(graph_of(cut.labels, cut.count, c, left_out), kStopCoarse));
  return cut;
}

Cut fine_cut(const Cells& c, const cv::Mat1b& left_out, double brush_mm) {
  Cut cut = coarse_cut(c, left_out);
  BorderOptions settle;
  settle.rounds = 5;
  move_borders(cut.labels, cut.count, c, left_out, settle);
  cut.count = split_pieces(cut.labels);
  cut.count = merge_narrow(cut.labels, cut.count, c, left_out, 0.6 * brush_mm);
  cut.apply(merge_parts(core_graph(cut, c, left_out), kStopFine));
  move_borders(cut.labels, cut.count, c, left_out, settle);
  trim_spurs(cut.labels, cut.count, c, left_out, 0.8 * brush_mm);
  cut.count = split_pieces(cut.labels);
  cut.count = merge_narrow(cut.labels, cut.count, c, left_out, brush_mm);
  cut.apply(merge_parts(core_graph(cut, c, left_out), kStopFine));
  cut.apply(merge_alike(core_graph(cut, c, left_out), 0.8));
  return cut;
}

cv::Mat1b rim_of(const Cells& c) {
  const int wide = rim_cells(c);
  if (wide == 0) return cv::Mat1b(c.proof.size(), static_cast<uchar>(0));
  cv::Mat1b rim(c.proof.size(), static_cast<uchar>(255));
  rim(cv::Rect(wide, wide, rim.cols - 2 * wide, rim.rows - 2 * wide)) = 0;
  return rim;
}

}  // namespace rebite::tone

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
  cv::Mat1b rim(c.proof.size(), static_cast<uchar>(255));
  const int wide = static_cast<int>(std::ceil(kBevelMm / c.mm));
  if (rim.cols > 4 * wide && rim.rows > 4 * wide) {
    rim(cv::Rect(wide, wide, rim.cols - 2 * wide, rim.rows - 2 * wide)) = 0;
  } else {
    rim = 0;
  }
  return rim;
}

}  // namespace rebite::tone

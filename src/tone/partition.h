// Cutting the plate into parts of one tone now and one tone wanted.
#pragma once

#include <map>
#include <opencv2/core.hpp>
#include <utility>
#include <vector>

#include "tone/cells.h"

namespace rebite::tone {

// Sums over a part; everything adds when parts merge, so means stay means of reflectance.
struct PartSums {
  double area = 0;                  // mm2 that was measured
  double p = 0, d = 0;              // reflectance x mm2
  double var_now = 0, var_gap = 0;  // grain variance over 1 mm2, x mm2
  double now() const;               // density of the proof; 0 when nothing was measured
  double target() const;
  double gap() const;
  double noise_gap() const;  // standard error of gap from grain
  void add(const PartSums& o);
};

// What two parts are compared by, worked out once: merging compares each part many times.
struct PartTone {
  explicit PartTone(const PartSums& sums);
  double area;
  double now, target;       // density
  double var_now, var_gap;  // of the part's means, from grain
  double gap() const { return target - now; }
};

// Parts and what they share of borders, in mm. Labels 0..n-1; -1 is no part.
struct PartGraph {
  std::vector<PartSums> parts;
  std::vector<std::map<int, double>> border;  // by neighbour
};

// `left_out` (255): cells that belong to a part but are not measured (drawn lines); may be empty.
std::vector<PartSums> sums_of(const cv::Mat1i& labels,
                              int count,
                              const Cells& cells,
                              const cv::Mat1b& left_out);
PartGraph graph_of(const cv::Mat1i& labels,
                   int count,
                   const Cells& cells,
                   const cv::Mat1b& left_out);

// Difference of two parts in visible steps: the gap, and the tone now as far as it changes the
// minutes (two parts with the same gap but tones 0.12 D apart count as one step apart). Unworked
// parts of different tone stay apart too: a part must be of one tone to know its own borders.
// Grain noise of small parts is allowed for.
double steps_apart(const PartTone& a, const PartTone& b);
inline double steps_apart(const PartSums& a, const PartSums& b) {
  return steps_apart(PartTone(a), PartTone(b));
}

// What merging a and b loses: squared steps x mm2 per mm of border that goes.
double merge_loss(const PartTone& a, const PartTone& b, double border_mm);
inline double merge_loss(const PartSums& a, const PartSums& b, double border_mm) {
  return merge_loss(PartTone(a), PartTone(b), border_mm);
}

// Greedy merging, least loss first, until the next loss exceeds `stop_at` (mm): the full
// lambda-schedule for the piecewise constant Mumford-Shah functional (G. Koepfler, C. Lopez,
// J.-M. Morel, SIAM J. Numer. Anal. 31, 1994; D. Robinson, N. Redding, D. Crisp, DSTO-TR-1311,
// 2002). Returns for each part the number of its merged part, 0..m-1 in order of first part.
std::vector<int> merge_parts(PartGraph graph, double stop_at);

// Greedy merging of neighbours that are less than `steps` visible steps apart, the nearest first:
// no eye would thank the hand for keeping them apart.
std::vector<int> merge_alike(PartGraph graph, double steps);

// Square blocks of `block_mm` as first parts; cells that cannot be used are -1.
cv::Mat1i block_labels(const Cells& cells, double block_mm, int& count);

// Rewrites labels by a table; -1 stays.
void relabel(cv::Mat1i& labels, const std::vector<int>& to);

// Connected pieces (4-neighbours) of equal labels become parts of their own; numbered row by row.
int split_pieces(cv::Mat1i& labels);

}  // namespace rebite::tone

#include "tone/passages.h"

#include <algorithm>
#include <cmath>
#include <numeric>

#include "tone/at.h"
#include "tone/borders.h"
#include "tone/edges.h"
#include "tone/partition.h"
#include "tone/tasks.h"
#include "units/density.h"

namespace rebite::tone {
namespace {

double step_of(const PartSums& s) {
  return visible_step(Density::of(0.5 * (s.now() + s.target()))).value();
}

// The fit's doubt of neighbouring places hangs together, so a whole part is wrong more often than
// its cells say: work is what is sure by this much more.
constexpr double kSurer = 1.25;

// From here on tones are black, and paint that is uneven there (a brush's ink is, by 0.3 D and more)
// asks for no gradation that a print could show (common practice, no source; a visible step grows no
// further from here on, units/density.h).
constexpr double kBlack = 1.2;

struct Judge {
  const PartGraph& graph;
  std::vector<double> field_var;  // by part, mean
  std::vector<double> low, high;  // 10 % and 90 % of the gap inside each part, about 2 mm means
  std::vector<double> width;
  double noise = 0;
  double brush_mm = 4;

  // `steps`: how many visible steps count as work.
  bool still(const PartSums& s, double field, double steps = 1) const {
    if (s.area <= 0) return true;
    const double doubt =
        std::sqrt(noise * noise + s.noise_gap() * s.noise_gap() + kSurer * kSurer * field);
    return std::abs(s.gap()) < std::max(steps * step_of(s), 2 * doubt);
  }
};

// Neither the gap nor the tone now has an edge there: what lies close on either side differs
// clearly less than the parts do.
bool passes_over(const BorderSides& b, const PartSums& low, const PartSums& high) {
  if (b.length_mm < 5 || b.low.area < 3 || b.high.area < 3) return false;
  const double apart = std::abs(high.gap() - low.gap());
  const double jump = std::abs(b.jump());
  const bool gap_passes = jump < 0.7 * apart || jump < 0.012 + b.noise();
  const double now_apart = std::abs(high.now() - low.now());
  const double now_jump = std::abs(b.high.now() - b.low.now());
  const bool now_passes = now_apart < 0.08 || now_jump < 0.7 * now_apart;
  return gap_passes && now_passes;
}

// 10 % and 90 % of the smoothed gap inside each part.
void spans(
    const cv::Mat1i& labels, int count, const Cells& c, const cv::Mat1b& left_out, Judge& j) {
  std::vector<std::vector<float>> values(at(count));
  // Means over 2 mm squares of one part: enough to see a slope through the grain.
  const int step = std::max(1, static_cast<int>(std::lround(2.0 / c.mm)));
  for (int i0 = 0; i0 < labels.rows; i0 += step) {
    for (int j0 = 0; j0 < labels.cols; j0 += step) {
      const int k = labels(std::min(i0 + step / 2, labels.rows - 1),
                           std::min(j0 + step / 2, labels.cols - 1));
      if (k < 0) continue;
      double p = 0, d = 0, n = 0;
      for (int i = i0; i < std::min(labels.rows, i0 + step); ++i) {
        for (int q = j0; q < std::min(labels.cols, j0 + step); ++q) {
          if (labels(i, q) != k || !c.usable(i, q)) continue;
          if (!left_out.empty() && left_out(i, q)) continue;
          p += static_cast<double>(c.proof(i, q));
          d += static_cast<double>(c.drawing(i, q));
          n += 1;
        }
      }
      if (n > 0.6 * step * step) {
        values[at(k)].push_back(static_cast<float>(density_of(d / n) - density_of(p / n)));
      }
    }
  }
  for (int k = 0; k < count; ++k) {
    std::vector<float>& v = values[at(k)];
    std::sort(v.begin(), v.end());
    const double mean = j.graph.parts[at(k)].gap();
    j.low.push_back(v.size() < 5 ? mean : static_cast<double>(v[v.size() / 10]));
    j.high.push_back(v.size() < 5 ? mean : static_cast<double>(v[v.size() - 1 - v.size() / 10]));
  }
}

void mean_field(const cv::Mat1i& labels, int count, const cv::Mat1f& field_sd, Judge& j) {
  std::vector<double> n(at(count), 0.0);
  j.field_var.assign(at(count), 0.0);
  for (int i = 0; i < labels.rows; ++i) {
    for (int q = 0; q < labels.cols; ++q) {
      if (labels(i, q) < 0) continue;
      const double sd = static_cast<double>(field_sd(i, q));
      j.field_var[at(labels(i, q))] += sd * sd;
      n[at(labels(i, q))] += 1;
    }
  }
  for (int k = 0; k < count; ++k) j.field_var[at(k)] /= std::max(1.0, n[at(k)]);
}

// One set of parts that hang together without edges.
void judge_set(const std::vector<int>& set, const Judge& j, Passages& out) {
  PartSums all;
  double low = 1e9, high = -1e9, field = 0, lightest = 1e9;
  for (const int k : set) {
    const PartSums& s = j.graph.parts[at(k)];
    all.add(s);
    field += j.field_var[at(k)] * s.area;
    low = std::min(low, s.gap());
    high = std::max(high, s.gap());
    lightest = std::min(lightest, s.target());
  }
  field /= std::max(all.area, 1e-9);
  const bool runs = high - low >= 2.5 * step_of(all) && lightest < kBlack;
  const auto region = [&](RegionKind kind) {
    out.kinds.push_back(kind);
    out.runs.push_back(runs);
    return static_cast<int>(out.kinds.size()) - 1;
  };
  if (!runs) {
    const int r = region(j.still(all, field) ? RegionKind::still : RegionKind::area);
    for (const int k : set) out.region_of[at(k)] = r;
    return;
  }
  int darker = -1, lighter = -1, nothing = -1;
  for (const int k : set) {
    const PartSums& s = j.graph.parts[at(k)];
    if (j.still(s, j.field_var[at(k)], 2)) {
      if (nothing < 0) nothing = region(RegionKind::still);
      out.region_of[at(k)] = nothing;
      continue;
    }
    const bool flat = j.high[at(k)] - j.low[at(k)] <
                      1.0 * step_of(s) + 2.6 * s.noise_gap() * std::sqrt(s.area / 4.0);
    if (flat && j.width[at(k)] > 2.5 * j.brush_mm) {
      out.region_of[at(k)] = region(RegionKind::area);
      continue;
    }
    int& side = s.gap() > 0 ? darker : lighter;
    if (side < 0) side = region(RegionKind::soft);
    out.region_of[at(k)] = side;
  }
}

}  // namespace

Passages judge_passages(const Cut& parts,
                        const Cells& c,
                        const cv::Mat1b& left_out,
                        const InkingFit& inking,
                        double brush_mm) {
  const cv::Mat1i& labels = parts.labels;
  const int count = parts.count;
  PartGraph graph;
  std::vector<double> width;
  std::map<std::pair<int, int>, BorderSides> all_sides;
  at_once({[&] { all_sides = border_sides(labels, c, left_out); },
           [&] { graph = core_graph(parts, c, left_out); },
           [&] { width = widths(labels, count, c.mm); }});
  Judge j{graph, {}, {}, {}, std::move(width), inking.inking.noise_density, brush_mm};
  spans(labels, count, c, left_out, j);
  mean_field(labels, count, inking.field_sd, j);
  std::vector<int> into(at(count));
  std::iota(into.begin(), into.end(), 0);
  const auto root = [&](int k) {
    while (into[at(k)] != k) k = into[at(k)];
    return k;
  };
  for (const auto& [pair, sides] : all_sides) {
    if (!passes_over(sides, graph.parts[at(pair.first)], graph.parts[at(pair.second)])) continue;
    const int a = root(pair.first);
    const int b = root(pair.second);
    into[at(std::max(a, b))] = std::min(a, b);
  }
  std::vector<std::vector<int>> sets(at(count));
  for (int k = 0; k < count; ++k) sets[at(root(k))].push_back(k);
  Passages out;
  out.region_of.assign(at(count), -1);
  for (const std::vector<int>& set : sets) {
    if (!set.empty()) judge_set(set, j, out);
  }
  std::vector<PartSums> sums(out.kinds.size());
  for (int k = 0; k < count; ++k) sums[at(out.region_of[at(k)])].add(graph.parts[at(k)]);
  for (const PartSums& s : sums) out.gap.push_back(s.gap());
  return out;
}

}  // namespace rebite::tone

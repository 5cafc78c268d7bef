#include "tone/edges.h"

#include <algorithm>
#include <cmath>
#include <numeric>
#include <opencv2/imgproc.hpp>
#include <vector>

#include "tone/at.h"

namespace rebite::tone {
namespace {

// A label across the border from cell (i, j); -1 if it has none.
int across(const cv::Mat1i& labels, int i, int j) {
  const int k = labels(i, j);
  for (const cv::Point d : {cv::Point(1, 0), {-1, 0}, {0, 1}, {0, -1}}) {
    const int y = i + d.y;
    const int x = j + d.x;
    if (x < 0 || y < 0 || x >= labels.cols || y >= labels.rows) continue;
    if (labels(y, x) >= 0 && labels(y, x) != k) return labels(y, x);
  }
  return -1;
}

}  // namespace

cv::Mat1b near_borders(const cv::Mat1i& labels, double within_mm, double cell_mm) {
  cv::Mat1b inside(labels.size(), static_cast<uchar>(255));
  for_rows(labels.rows, [&](int i) {
    for (int j = 0; j < labels.cols; ++j) {
      const int k = labels(i, j);
      if ((j + 1 < labels.cols && labels(i, j + 1) != k) || (j > 0 && labels(i, j - 1) != k) ||
          (i + 1 < labels.rows && labels(i + 1, j) != k) || (i > 0 && labels(i - 1, j) != k)) {
        inside(i, j) = 0;
      }
    }
  });
  cv::Mat1f dist;
  cv::distanceTransform(inside, dist, cv::DIST_L2, cv::DIST_MASK_5);
  return cv::Mat1b(dist < within_mm / cell_mm - 0.5);
}

double BorderSides::noise() const { return std::hypot(low.noise_gap(), high.noise_gap()); }

std::map<std::pair<int, int>, BorderSides> border_sides(const cv::Mat1i& labels,
                                                        const Cells& c,
                                                        const cv::Mat1b& left_out,
                                                        double from_mm,
                                                        double to_mm) {
  cv::Mat1i other(labels.size(), -1);
  cv::Mat1b inside(labels.size(), static_cast<uchar>(255));
  std::map<std::pair<int, int>, BorderSides> out;
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      if (labels(i, j) < 0) continue;
      other(i, j) = across(labels, i, j);
      if (other(i, j) < 0) continue;
      inside(i, j) = 0;
      // Either side counts its border cells: half of each.
      out[std::minmax(labels(i, j), other(i, j))].length_mm += 0.5 * c.mm;
    }
  }
  if (out.empty()) return out;
  cv::Mat1f dist;
  cv::Mat1i nearest;
  cv::distanceTransform(inside, dist, nearest, cv::DIST_L2, cv::DIST_MASK_5, cv::DIST_LABEL_PIXEL);
  std::vector<cv::Point> place(1);
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      if (inside(i, j)) continue;
      const auto n = at(nearest(i, j));
      if (place.size() <= n) place.resize(n + 1);
      place[n] = {j, i};
    }
  }
  const double mm2 = c.mm * c.mm;
  std::pair<int, int> last(-1, -1);  // mostly that of the cell before
  BorderSides* sides = nullptr;
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      const int k = labels(i, j);
      const double depth = (static_cast<double>(dist(i, j)) + 0.5) * c.mm;
      if (k < 0 || depth < from_mm || depth > to_mm || !c.usable(i, j)) continue;
      if (!left_out.empty() && left_out(i, j)) continue;
      const cv::Point b = place[at(nearest(i, j))];
      const int far = labels(b) == k ? other(b) : labels(b);
      if (far < 0 || far == k) continue;
      if (const std::pair<int, int> here = std::minmax(k, far); here != last) {
        const auto found = out.find(here);
        last = here;
        sides = found == out.end() ? nullptr : &found->second;
      }
      if (!sides) continue;
      PartSums& s = k < far ? sides->low : sides->high;
      s.area += mm2;
      s.p += static_cast<double>(c.proof(i, j)) * mm2;
      s.d += static_cast<double>(c.drawing(i, j)) * mm2;
      const double nn = static_cast<double>(c.noise_now(i, j));
      const double ng = static_cast<double>(c.noise_gap(i, j));
      s.var_now += nn * nn * mm2;
      s.var_gap += ng * ng * mm2;
    }
  }
  return out;
}

std::vector<int> join_without_edge(const cv::Mat1i& labels,
                                   int count,
                                   const Cells& c,
                                   const cv::Mat1b& left_out) {
  std::vector<int> into(at(count));
  std::iota(into.begin(), into.end(), 0);
  const auto root = [&](int k) {
    while (into[at(k)] != k) k = into[at(k)];
    return k;
  };
  for (const auto& [pair, sides] : border_sides(labels, c, left_out)) {
    if (sides.length_mm < 5 || sides.low.area < 3 || sides.high.area < 3) continue;
    // No jump: below a third of what counts as a step, as far as the grain lets one see.
    if (sides.noise() > 0.012 || std::abs(sides.jump()) > 0.012 + 1.5 * sides.noise()) continue;
    const int a = root(pair.first);
    const int b = root(pair.second);
    into[at(std::max(a, b))] = std::min(a, b);
  }
  std::vector<int> number(at(count), -1);
  std::vector<int> out(at(count));
  int next = 0;
  for (int k = 0; k < count; ++k) {
    const int r = root(k);
    if (number[at(r)] < 0) number[at(r)] = next++;
    out[at(k)] = number[at(r)];
  }
  return out;
}

double painted_edges_mm(const cv::Mat1i& labels, const Cells& c, const cv::Mat1b& left_out) {
  double painted = 0;
  for (const auto& [pair, sides] : border_sides(labels, c, left_out)) {
    if (sides.length_mm < 2 || sides.low.area < 2 || sides.high.area < 2) continue;
    const double of_gap = std::abs(sides.jump());
    const double of_tone = std::abs(sides.high.now() - sides.low.now());
    if (of_gap > std::max(0.07, 3 * sides.noise()) && of_gap > 0.35 * of_tone) {
      painted += sides.length_mm;
    }
  }
  return painted;
}

}  // namespace rebite::tone

#include "tone/tidy_labels.h"

#include <cmath>
#include <limits>
#include <map>
#include <opencv2/imgproc.hpp>
#include <set>

#include "tone/at.h"
#include "tone/boxes.h"
#include "tone/partition.h"
#include "tone/tasks.h"

namespace rebite::tone {

void remove_specks(cv::Mat1i& labels, int least) {
  cv::Mat1i pieces = labels.clone();
  const int count = split_pieces(pieces);
  std::vector<int> size(at(count), 0);
  for (int i = 0; i < labels.rows; ++i) {
    const int* row = pieces[i];
    for (int j = 0; j < labels.cols;) {
      const int from = j, k = row[j];
      while (j < labels.cols && row[j] == k) ++j;
      if (k >= 0) size[at(k)] += j - from;
    }
  }
  std::vector<char> speck(at(count), 0);
  for (int k = 0; k < count; ++k) speck[at(k)] = size[at(k)] < least ? 1 : 0;
  std::vector<std::map<int, int>> around(at(count));
  const auto touch = [&](cv::Point a, cv::Point b) {
    const int k = pieces(a);
    if (k < 0 || !speck[at(k)] || labels(b) < 0 || labels(a) == labels(b)) return;
    if (size[at(pieces(b))] >= least) ++around[at(k)][labels(b)];
  };
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      // Only where pieces meet, and one of them is a speck.
      const int k = pieces(i, j);
      if ((j + 1 == labels.cols || pieces(i, j + 1) == k) &&
          (i + 1 == labels.rows || pieces(i + 1, j) == k))
        continue;
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
  for_rows(labels.rows, [&](int i) {
    for (int j = 0; j < labels.cols; ++j) {
      const int k = pieces(i, j);
      if (k >= 0 && speck[at(k)] && to[at(k)] >= 0) labels(i, j) = to[at(k)];
    }
  });
}

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

cv::Mat1f tone_map(const cv::Mat1f& reflectance,
                   const cv::Mat1i& labels,
                   int count,
                   const Cells& c,
                   cv::Size full) {
  const double sigma = 1.0 / c.mm;
  cv::Mat1f out(labels.size(), std::numeric_limits<float>::quiet_NaN());
  const std::vector<Box> box = boxes(labels, count);
  for_each_of(count, [&](int k) {  // each writes cells of its own label only
    const cv::Rect r = box[at(k)].rect;
    if (r.empty()) return;
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
  });
  cv::Mat1f big(full);
  for_rows(full.height, [&](int i) {
    for (int j = 0; j < full.width; ++j) big(i, j) = out(i / c.factor, j / c.factor);
  });
  return big;
}

void drop_slivers_beside(cv::Mat1i& labels,
                         const cv::Mat1b& leave,
                         int first_line,
                         double brush_px) {
  if (leave.empty() || cv::countNonZero(leave) == 0) return;
  const auto within = [](const cv::Mat1b& of, double px) {
    cv::Mat1f away;
    const cv::Mat1b others(255 - of);
    cv::distanceTransform(others, away, cv::DIST_L2, cv::DIST_MASK_PRECISE);
    return cv::Mat1b(away <= px);
  };
  const cv::Mat1b near = within(leave, 1.5 * brush_px);
  std::set<int> beside;
  for (int i = 0; i < labels.rows; ++i) {
    for (int j = 0; j < labels.cols; ++j) {
      const int k = labels(i, j);
      if (near(i, j) && k >= 0 && k < first_line) beside.insert(k);
    }
  }
  const double r = 0.5 * brush_px;
  double last = 0;
  cv::minMaxLoc(labels, nullptr, &last);
  const std::vector<Box> box = boxes(labels, static_cast<int>(last) + 1);
  // What lies farther off than this from a region has no part in what of it is thin.
  const int reach = static_cast<int>(std::ceil(2 * r)) + 2;
  for (const int k : beside) {
    const cv::Rect where = grown(box[at(k)].rect, reach, labels.size());
    cv::Mat1i here = labels(where);
    const cv::Mat1b own(here == k);
    // Discs that fit in, then all that they reach.
    const cv::Mat1b not_own(255 - own);
    const cv::Mat1b middles(255 - within(not_own, r));
    const cv::Mat1b thin(own & ~within(middles, r) & near(where));
    cv::Mat1i piece, stats;
    cv::Mat1d middle;
    cv::connectedComponentsWithStats(thin, piece, stats, middle, 8);
    for (int i = 0; i < here.rows; ++i) {
      for (int j = 0; j < here.cols; ++j) {
        // A disc leaves out (1 - pi/4) r^2 of a square corner: that is no sliver.
        const int p = piece(i, j);
        if (p > 0 && stats(p, cv::CC_STAT_AREA) > 0.3 * r * r) here(i, j) = -1;
      }
    }
  }
}

}  // namespace rebite::tone

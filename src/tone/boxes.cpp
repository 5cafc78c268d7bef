#include "tone/boxes.h"

#include <algorithm>
#include <limits>

namespace rebite::tone {

std::vector<Box> boxes(const cv::Mat1i& labels, int count) {
  struct Extent {
    int x0 = std::numeric_limits<int>::max(), y0 = x0, x1 = -1, y1 = -1, n = 0;
  };
  std::vector<Extent> e(static_cast<std::size_t>(count));
  for (int i = 0; i < labels.rows; ++i) {
    const int* row = labels[i];
    for (int j = 0; j < labels.cols;) {
      const int from = j, k = row[j];
      while (j < labels.cols && row[j] == k) ++j;  // a run of one part
      if (k < 0) continue;
      Extent& b = e[static_cast<std::size_t>(k)];
      b.x0 = std::min(b.x0, from);
      b.x1 = std::max(b.x1, j - 1);
      b.y0 = std::min(b.y0, i);
      b.y1 = std::max(b.y1, i);
      b.n += j - from;
    }
  }
  std::vector<Box> out;
  for (const Extent& b : e) {
    out.push_back({b.n ? cv::Rect(b.x0, b.y0, b.x1 - b.x0 + 1, b.y1 - b.y0 + 1) : cv::Rect(), b.n});
  }
  return out;
}

cv::Rect grown(cv::Rect r, int by, cv::Size size) {
  return cv::Rect(r.x - by, r.y - by, r.width + 2 * by, r.height + 2 * by) & cv::Rect({0, 0}, size);
}

}  // namespace rebite::tone

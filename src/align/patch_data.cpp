#include "align/patch_data.h"

#include <algorithm>
#include <cmath>
#include <utility>

#include "align/parallel.h"

namespace rebite::align {

int odd_pixels(double px) {
  return std::max(9, 2 * static_cast<int>(std::lround((px - 1) / 2)) + 1);
}

cv::Rect pixel_box(const cv::Rect2d& box, double px_per_mm) {
  const int x0 = static_cast<int>(std::floor(box.x * px_per_mm));
  const int y0 = static_cast<int>(std::floor(box.y * px_per_mm));
  const int x1 = static_cast<int>(std::ceil(box.br().x * px_per_mm));
  const int y1 = static_cast<int>(std::ceil(box.br().y * px_per_mm));
  return {x0, y0, std::max(1, x1 - x0), std::max(1, y1 - y0)};
}

cv::Mat1b mask_on_proof(const cv::Mat1b& drawing_mask,
                        double drawing_px_per_mm,
                        const SmoothMap& map,
                        double proof_px_per_mm,
                        cv::Size size,
                        int threads) {
  cv::Mat1b seen(size, static_cast<unsigned char>(0));
  // Exact at every 8th pixel, linear between: a mask needs no more.
  constexpr int step = 8;
  const int nodes = size.width / step + 2;
  using Row = std::vector<cv::Point2d>;
  const auto fill = [&](Row& row, int y) {
    const double left = 0.5 / proof_px_per_mm, apart = step / proof_px_per_mm;
    const double down = (y + 0.5) / proof_px_per_mm;
    std::vector<cv::Vec2d> shift(static_cast<std::size_t>(nodes));
    map.stiff.add_row(left, apart, down, nodes, shift.data());
    map.fine.add_row(left, apart, down, nodes, shift.data());
    row.clear();
    for (int i = 0; i < nodes; ++i) {
      const cv::Point2d mm(left + i * apart, down);
      row.push_back(project(map.start, mm + cv::Point2d(shift[static_cast<std::size_t>(i)])) *
                    drawing_px_per_mm);
    }
  };
  in_parallel((size.height + step - 1) / step, threads, [&](int first, int last) {
    Row above, below;
    fill(below, first * step);
    for (int y0 = first * step; y0 < std::min(size.height, last * step); y0 += step) {
      std::swap(above, below);
      fill(below, y0 + step);
      for (int y = y0; y < std::min(size.height, y0 + step); ++y) {
        const double t = static_cast<double>(y - y0) / step;
        for (int x0 = 0; x0 < size.width; x0 += step) {
          const auto i = static_cast<std::size_t>(x0 / step);
          const cv::Point2d left = above[i] * (1 - t) + below[i] * t;
          const cv::Point2d along = (above[i + 1] * (1 - t) + below[i + 1] * t - left) / step;
          for (int x = x0; x < std::min(size.width, x0 + step); ++x) {
            const cv::Point2d q = left + along * (x - x0);
            if (!(q.x >= 0 && q.y >= 0 && q.x < drawing_mask.cols && q.y < drawing_mask.rows))
              continue;
            seen(y, x) = drawing_mask(static_cast<int>(q.y), static_cast<int>(q.x));
          }
        }
      }
    }
  });
  return seen;
}

Measured measured(const PatchMatch& match,
                  double px_per_mm,
                  const SmoothMap& map,
                  const PatchRule& rule,
                  int set) {
  Measured m;
  m.at = (match.seat + cv::Point2d(0.5, 0.5)) / px_per_mm;
  const cv::Point2d d = match.shift / px_per_mm;
  // The rendered drawing at p + d shows the drawing at start(p + d + u(p + d)).
  m.shift = cv::Vec2d(d.x, d.y) + map.shift(m.at + d);
  m.covariance = (match.info * (px_per_mm * px_per_mm) + cv::Matx22d::eye() * 1e-6).inv();
  m.set = set;
  m.directions = match.directions;
  const double side = static_cast<double>(rule.side_px) / rule.step_px;
  m.overlap = std::max(1.0, side * side);
  return m;
}

}  // namespace rebite::align

#include "align/spline_warp.h"

#include <cmath>

namespace rebite::align {

cv::Point2d project(const cv::Matx33d& m, cv::Point2d at) {
  const cv::Vec3d p = m * cv::Vec3d(at.x, at.y, 1);
  return {p[0] / p[2], p[1] / p[2]};
}

cv::Matx22d project_slope(const cv::Matx33d& m, cv::Point2d at) {
  const cv::Vec3d p = m * cv::Vec3d(at.x, at.y, 1);
  const double x = p[0] / p[2], y = p[1] / p[2];
  return {(m(0, 0) - x * m(2, 0)) / p[2],
          (m(0, 1) - x * m(2, 1)) / p[2],
          (m(1, 0) - y * m(2, 0)) / p[2],
          (m(1, 1) - y * m(2, 1)) / p[2]};
}

cv::Point2d SmoothMap::forward(cv::Point2d proof_mm) const {
  return project(start, proof_mm + cv::Point2d(shift(proof_mm)));
}

cv::Point2d SmoothMap::backward(cv::Point2d drawing_mm) const {
  const cv::Point2d goal = project(start.inv(), drawing_mm);
  cv::Point2d p = goal - cv::Point2d(shift(goal));
  for (int k = 0; k < 50; ++k) {
    const cv::Point2d miss = goal - p - cv::Point2d(shift(p));
    if (std::abs(miss.x) + std::abs(miss.y) < 1e-10) break;
    const cv::Matx22d slope = cv::Matx22d::eye() + shift_slope(p);
    const double det = cv::determinant(slope);
    // A folded map has no inverse here: plain steps, which stay bounded.
    const cv::Vec2d step = std::abs(det) > 0.1 ? slope.inv() * cv::Vec2d(miss.x, miss.y)
                                               : cv::Vec2d(miss.x, miss.y) * 0.5;
    p += cv::Point2d(step);
  }
  return p;
}

}  // namespace rebite::align

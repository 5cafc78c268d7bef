// The projective map between plate millimetres and scan pixels through the four corners.
#include <cassert>

#include "align/alignment.h"

namespace rebite::align {
namespace {

// Unit square (u right, v down; corners in the order of PlateMark) to the quadrilateral:
// P. Heckbert, Fundamentals of Texture Mapping and Image Warping, 1989, section 2.2.3.
cv::Matx33d from_unit_square(const std::array<cv::Point2d, 4>& c) {
  const cv::Point2d d1 = c[1] - c[2], d2 = c[3] - c[2], s = c[0] - c[1] + c[2] - c[3];
  const double den = d1.x * d2.y - d1.y * d2.x;
  assert(den != 0);
  const double g = (s.x * d2.y - s.y * d2.x) / den;
  const double h = (d1.x * s.y - d1.y * s.x) / den;
  return {c[1].x - c[0].x + g * c[1].x,
          c[3].x - c[0].x + h * c[3].x,
          c[0].x,
          c[1].y - c[0].y + g * c[1].y,
          c[3].y - c[0].y + h * c[3].y,
          c[0].y,
          g,
          h,
          1};
}

cv::Point2d apply(const cv::Matx33d& m, double x, double y) {
  const cv::Vec3d p = m * cv::Vec3d(x, y, 1);
  return {p[0] / p[2], p[1] / p[2]};
}

}  // namespace

cv::Point2d PlateMark::px_from_plate(PlateMm p, SizeMm plate) const {
  assert(plate.width > 0 && plate.height > 0);
  return apply(from_unit_square(corners_px), p.x / plate.width, p.y / plate.height);
}

cv::Matx33d PlateMark::plate_from_px(SizeMm plate) const {
  return cv::Matx33d::diag({plate.width, plate.height, 1}) * from_unit_square(corners_px).inv();
}

}  // namespace rebite::align

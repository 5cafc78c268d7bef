// Drawing for the sample picture: shapes in plate mm painted into tone maps.
#pragma once

#include <cstdint>
#include <functional>
#include <opencv2/core.hpp>
#include <vector>

#include "tests/support/chance.h"
#include "units/lengths.h"

namespace rebite::maker {

using Shape = std::vector<cv::Point2d>;  // a polygon or polyline, plate mm

// A shape's edge as a hand makes it: a point every 1.2 mm, moved by up to about `amount_mm`.
Shape by_hand(const Shape& shape, double amount_mm, std::uint64_t seed, bool closed = true);
// A smooth curve through the points (Catmull-Rom).
Shape curve_through(const Shape& points, bool closed = false);
Shape ellipse_at(cv::Point2d centre, double rx_mm, double ry_mm);

class Sheet {
 public:
  Sheet(SizeMm size, double px_per_mm);

  // Coverage 0..1 of a polygon, its edge feathered by `soft_mm` (one sigma).
  cv::Mat1f mask(const Shape& shape, double soft_mm = 0) const;
  // to = to (1 - mask) + value(x, y) mask
  void paint(cv::Mat1f& to,
             const cv::Mat1f& mask,
             const std::function<double(double x_mm, double y_mm)>& value) const;
  // A line from width to width (tapering), into a map of shares: the darker wins.
  void line(cv::Mat1f& to, const Shape& path, double width_from_mm, double width_to_mm) const;
  cv::Mat1f blank(float value = 0) const;
  double px_per_mm() const { return px_per_mm_; }

 private:
  cv::Point place(cv::Point2d mm) const;  // in 1/16 pixels
  SizeMm size_;
  double px_per_mm_;
};

// A bare tree standing at `foot`: every branch as a tapering path.
struct Branch {
  Shape path;
  double width_from_mm, width_to_mm;
};
std::vector<Branch> bare_tree(
    cv::Point2d foot, double height_mm, double trunk_mm, double lean, std::uint64_t seed);

}  // namespace rebite::maker

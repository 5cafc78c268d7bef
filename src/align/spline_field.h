// A smooth displacement: tensor product of uniform cubic B-splines with 2-vector coefficients.
#pragma once

#include <array>
#include <opencv2/core.hpp>
#include <vector>

namespace rebite::align {

// Weights of the four B-splines that are not zero at the fraction t (0..1) of a cell, and of their
// first and second derivatives by t. Unser, IEEE Signal Processing Magazine 16(6), 1999.
struct CubicWeights {
  std::array<double, 4> value{}, slope{}, bend{};
  explicit CubicWeights(double t);
};

// The knots of a field over a rectangle, in mm.
struct SplineGrid {
  cv::Point2d origin;  // mm, corner of the first cell
  double spacing = 1;  // mm, side of a cell
  int cells_x = 1, cells_y = 1;

  // Covers `area` (mm) with cells of about `spacing`, aligned to area.tl().
  static SplineGrid over(const cv::Rect2d& area, double spacing);
  // The same area with each cell cut in n * n.
  SplineGrid finer(int n) const;

  int nx() const { return cells_x + 3; }
  int ny() const { return cells_y + 3; }
  int size() const { return nx() * ny(); }
  int index(int i, int j) const { return j * nx() + i; }

  // Cell and fraction of a place; places outside are moved to the border of the area.
  struct Place {
    int i, j;
    double s, t;
  };
  Place place(cv::Point2d mm) const;
};

class SplineField {
 public:
  SplineField() = default;  // zero everywhere
  SplineField(SplineGrid grid, std::vector<cv::Vec2d> coefficients);

  bool empty() const { return coefficients_.empty(); }
  const SplineGrid& grid() const { return grid_; }
  const std::vector<cv::Vec2d>& coefficients() const { return coefficients_; }

  cv::Vec2d at(cv::Point2d mm) const;
  // d(value)/d(x, y), columns x and y; zero across the border outside the area.
  cv::Matx22d slope_at(cv::Point2d mm) const;
  // Values at x0 + k * step, y, k = 0..n-1, added to out.
  void add_row(double x0, double step, double y, int n, cv::Vec2d* out) const;

 private:
  SplineGrid grid_;
  std::vector<cv::Vec2d> coefficients_;
};

}  // namespace rebite::align

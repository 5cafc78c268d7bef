#include "tests/support/brush.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "tests/support/sheet_render.h"
#include "tests/support/waves.h"

namespace rebite::maker {

Shape by_hand(const Shape& shape, double amount_mm, std::uint64_t seed, bool closed) {
  const Waves dx(mix(seed, 1), 2.5, 14), dy(mix(seed, 2), 2.5, 14);
  Shape out;
  const size_t n = shape.size();
  for (size_t i = 0; i < (closed ? n : n - 1); ++i) {
    const cv::Point2d a = shape[i], b = shape[(i + 1) % n];
    const int steps = std::max(1, static_cast<int>(std::hypot(b.x - a.x, b.y - a.y) / 1.2));
    for (int k = 0; k < steps; ++k) {
      const cv::Point2d p = a + (b - a) * (static_cast<double>(k) / steps);
      out.emplace_back(p.x + amount_mm * dx.unit_peak(p.x, p.y),
                       p.y + amount_mm * dy.unit_peak(p.x, p.y));
    }
  }
  if (!closed) out.push_back(shape.back());
  return out;
}

Shape curve_through(const Shape& p, bool closed) {
  Shape out;
  const auto n = static_cast<int>(p.size());
  const auto at = [&](int i) {
    return p[static_cast<size_t>(closed ? (i + n) % n : std::clamp(i, 0, n - 1))];
  };
  for (int i = 0; i < (closed ? n : n - 1); ++i) {
    const cv::Point2d a = at(i - 1), b = at(i), c = at(i + 1), d = at(i + 2);
    for (int k = 0; k < 10; ++k) {
      const double t = k / 10.0;
      out.push_back(0.5 * (2 * b + (c - a) * t + (2 * a - 5 * b + 4 * c - d) * (t * t) +
                           (3 * b - a - 3 * c + d) * (t * t * t)));
    }
  }
  if (!closed) out.push_back(p.back());
  return out;
}

Shape ellipse_at(cv::Point2d centre, double rx_mm, double ry_mm) {
  Shape out;
  for (int i = 0; i < 36; ++i) {
    const double a = i * 6.283185307179586 / 36;
    out.emplace_back(centre.x + rx_mm * std::cos(a), centre.y + ry_mm * std::sin(a));
  }
  return out;
}

Sheet::Sheet(SizeMm size, double px_per_mm) : size_(size), px_per_mm_(px_per_mm) {}

cv::Mat1f Sheet::blank(float value) const {
  return cv::Mat1f(static_cast<int>(std::lround(size_.height * px_per_mm_)),
                   static_cast<int>(std::lround(size_.width * px_per_mm_)),
                   value);
}

cv::Point Sheet::place(cv::Point2d mm) const {
  return {static_cast<int>(std::lround((mm.x * px_per_mm_ - 0.5) * 16)),
          static_cast<int>(std::lround((mm.y * px_per_mm_ - 0.5) * 16))};
}

cv::Mat1f Sheet::mask(const Shape& shape, double soft_mm) const {
  cv::Mat1f share = blank();
  std::vector<std::vector<cv::Point>> polygon(1);
  for (const auto& p : shape) polygon[0].push_back(place(p));
  // Only round the shape: blurring the whole sheet for a footprint takes long.
  const cv::Rect box = cv::boundingRect(polygon[0]);
  const int reach = static_cast<int>(std::ceil(4 * soft_mm * px_per_mm_)) + 3;
  const cv::Rect round(box.x / 16 - reach,
                       box.y / 16 - reach,
                       box.width / 16 + 2 * reach + 2,
                       box.height / 16 + 2 * reach + 2);
  const cv::Rect inside = round & cv::Rect(0, 0, share.cols, share.rows);
  if (inside.empty()) return share;
  cv::Mat1b drawn(share.size(), std::uint8_t{0});
  cv::fillPoly(drawn, polygon, 255, cv::LINE_AA, 4);
  cv::Mat1f part(inside.size());
  for (int r = 0; r < part.rows; ++r) {
    for (int c = 0; c < part.cols; ++c) {
      part(r, c) = static_cast<float>(drawn(inside.y + r, inside.x + c)) / 255.F;
    }
  }
  if (soft_mm > 0) {
    blur_rows_and_columns(part, soft_mm * px_per_mm_, soft_mm * px_per_mm_);
    part = cv::Mat1f(cv::min(part, 1.F));  // the kernel's weights sum to 1 but for rounding
  }
  part.copyTo(share(inside));
  return share;
}

void Sheet::paint(cv::Mat1f& to,
                  const cv::Mat1f& mask,
                  const std::function<double(double, double)>& value) const {
  for (int r = 0; r < to.rows; ++r) {
    for (int c = 0; c < to.cols; ++c) {
      const float m = mask(r, c);
      if (m <= 0) continue;
      const auto v = static_cast<float>(value((c + 0.5) / px_per_mm_, (r + 0.5) / px_per_mm_));
      to(r, c) += m * (v - to(r, c));
    }
  }
}

void Sheet::line(cv::Mat1f& to, const Shape& path, double from_mm, double to_mm) const {
  // A polygon along the path: widths below a pixel come out as grey, not as a full pixel.
  if (path.size() < 2) return;
  Shape left, right;
  for (size_t i = 0; i < path.size(); ++i) {
    const cv::Point2d a = path[i == 0 ? 0 : i - 1], b = path[std::min(i + 1, path.size() - 1)];
    const double length = std::max(1e-9, std::hypot(b.x - a.x, b.y - a.y));
    const double t = static_cast<double>(i) / static_cast<double>(path.size() - 1);
    const double half = (from_mm + t * (to_mm - from_mm)) / 2;
    const cv::Point2d across{-(b.y - a.y) / length * half, (b.x - a.x) / length * half};
    left.push_back(path[i] + across);
    right.push_back(path[i] - across);
  }
  left.insert(left.end(), right.rbegin(), right.rend());
  std::vector<std::vector<cv::Point>> polygon(1);
  cv::Rect box;
  for (const auto& p : left) polygon[0].push_back(place(p));
  box = cv::boundingRect(polygon[0]);
  const cv::Rect around(box.x / 16 - 2, box.y / 16 - 2, box.width / 16 + 5, box.height / 16 + 5);
  const cv::Rect inside = around & cv::Rect(0, 0, to.cols, to.rows);
  if (inside.empty()) return;
  // Four times finer, then averaged: fillPoly's own smoothing draws thin polygons too wide.
  cv::Mat1b drawn(inside.height * 4, inside.width * 4, std::uint8_t{0});
  for (auto& p : polygon[0]) {
    p = {(p.x - inside.x * 16) * 4 + 24, (p.y - inside.y * 16) * 4 + 24};
  }
  cv::fillPoly(drawn, polygon, 255, cv::LINE_8, 4);
  for (int r = 0; r < inside.height; ++r) {
    for (int c = 0; c < inside.width; ++c) {
      int sum = 0;
      for (int k = 0; k < 16; ++k) sum += drawn(r * 4 + k / 4, c * 4 + k % 4);
      float& at = to(inside.y + r, inside.x + c);
      at = std::max(at, static_cast<float>(sum) / (16 * 255.F));
    }
  }
}

namespace {

void grow(std::vector<Branch>& tree,
          Chance& chance,
          cv::Point2d from,
          double direction,
          double length,
          double width,
          int level) {
  Branch branch{{from}, width, width * 0.62};
  cv::Point2d p = from;
  double bend = direction;
  const int joints = 5;
  for (int i = 0; i < joints; ++i) {
    bend += 0.11 * chance.normal();
    p += cv::Point2d(std::sin(bend), -std::cos(bend)) * (length / joints);
    branch.path.push_back(p);
  }
  tree.push_back({curve_through(branch.path), branch.width_from_mm, branch.width_to_mm});
  if (level == 0 || length < 1.2) return;
  // A leader goes on; others leave on alternate sides, some of them from along the branch.
  const int side = chance.uniform() < 0.5 ? -1 : 1;
  grow(tree,
       chance,
       p,
       bend + 0.16 * chance.normal(),
       length * chance.uniform(0.7, 0.84),
       width * 0.62,
       level - 1);
  grow(tree,
       chance,
       p,
       bend + side * chance.uniform(0.4, 0.75),
       length * chance.uniform(0.55, 0.75),
       width * 0.5,
       level - 1);
  if (level >= 2 || chance.uniform() < 0.5) {
    const auto& at = branch.path[static_cast<size_t>(2 + chance.below(3))];
    grow(tree,
         chance,
         at,
         bend - side * chance.uniform(0.45, 0.9),
         length * chance.uniform(0.45, 0.62),
         width * 0.42,
         level - 1);
  }
}

}  // namespace

std::vector<Branch> bare_tree(
    cv::Point2d foot, double height_mm, double trunk_mm, double lean, std::uint64_t seed) {
  std::vector<Branch> tree;
  Chance chance(seed);
  grow(tree, chance, foot, lean, height_mm * 0.3, trunk_mm, 6);
  return tree;
}

}  // namespace rebite::maker

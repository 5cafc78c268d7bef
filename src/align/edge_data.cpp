#include "align/edge_data.h"

#include <algorithm>
#include <cmath>
#include <optional>

namespace rebite::align {
namespace {

constexpr double kAcross = 0.05;       // mm, one sd: measured 0.03 on drawn frames
constexpr double kLeastAcross = 0.01;  // mm: foot ink and bevel lean to one side for centimetres
constexpr double kAlongVariance = 1e6;
constexpr double kOverlap = 4;  // places 2 mm apart on paper that moves together over some 8

struct Foot {
  double distance = 1e9;  // signed, along normal
  cv::Point2d normal;
};

// Nearest point on the polyline of a side, ends left out.
void nearest_on(const std::vector<cv::Point2d>& side, cv::Point2d q, Foot& best) {
  for (std::size_t k = 1; k < side.size(); ++k) {
    const cv::Point2d d = side[k] - side[k - 1];
    const double length = cv::norm(d);
    if (length < 1e-6 || length > 12) continue;
    const double t = (q - side[k - 1]).dot(d) / (length * length);
    if (t < 0 || t > 1) continue;
    const cv::Point2d to = side[k - 1] + d * t - q;
    const cv::Point2d normal(-d.y / length, d.x / length);
    const double distance = to.dot(normal);
    if (std::abs(distance) < std::abs(best.distance)) best = {distance, normal};
  }
}

// One sd across of a place, from how unevenly neighbours lie: second differences, in which the
// sheet's own bend hardly counts, have six times the variance of a place.
double scatter(const std::vector<double>& distances) {
  std::vector<double> bends;
  for (std::size_t k = 2; k < distances.size(); ++k)
    bends.push_back(std::abs(distances[k] - 2 * distances[k - 1] + distances[k - 2]));
  if (bends.size() < 12) return kAcross;
  const auto middle = bends.begin() + std::ssize(bends) / 2;
  std::nth_element(bends.begin(), middle, bends.end());
  return std::clamp(1.4826 * *middle / std::sqrt(6.0), kLeastAcross, kAcross);
}

void set_covariance(Measured& m, double across_mm) {
  const cv::Matx22d& c = m.covariance;  // as made: n n^T
  m.covariance = c * (across_mm * across_mm) + (cv::Matx22d::eye() - c) * kAlongVariance;
}

}  // namespace

std::vector<Measured> measure_edges(const Outline& proof,
                                    const Outline& drawing,
                                    const SmoothMap& map,
                                    const EdgeRule& rule) {
  std::vector<Measured> data;
  std::vector<double> distances;
  for (const auto& side : proof.sides) {
    for (const cv::Point2d& p : side) {
      const cv::Point2d q = map.forward(p);
      Foot foot;
      for (const auto& other : drawing.sides) nearest_on(other, q, foot);
      if (std::abs(foot.distance) > rule.reach_mm) continue;
      // start(p + u): a step w of u moves the place on the drawing by J w.
      const cv::Vec2d u = map.shift(p);
      const cv::Matx22d j = project_slope(map.start, p + cv::Point2d(u));
      cv::Vec2d n = j.t() * cv::Vec2d(foot.normal.x, foot.normal.y);
      const double gain = cv::norm(n);
      if (gain < 1e-3) continue;
      n *= 1 / gain;
      Measured m;
      m.at = p;
      m.shift = u + n * (foot.distance / gain);
      m.covariance = n * n.t();
      m.directions = 1;
      m.patch = false;
      m.set = rule.set;
      m.overlap = kOverlap;
      data.push_back(m);
      distances.push_back(foot.distance / gain);
    }
  }
  const double across = rule.same_rim ? scatter(distances) : kAcross;
  for (Measured& m : data) {
    set_covariance(m, across);
    m.sd_known = rule.same_rim;
  }
  return data;
}

}  // namespace rebite::align

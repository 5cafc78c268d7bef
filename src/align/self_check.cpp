#include "align/self_check.h"

#include <algorithm>
#include <array>
#include <cmath>

namespace rebite::align {
namespace {

constexpr int kTurns = 4;
constexpr double kAccepted = 0.3;  // robust weight: within about 3 sd of the sheet
// Least factors on the fit's variances, measured on made pairs of 90 x 70 mm: reworked and under
// opaque paint (seeds 1-8), drawn with 60, with 5 to 10 and with four strokes (1-5) and with
// borders lined in (921-927), whose lean along the edges the fit cannot know of.
constexpr double kByGrain = 1.3, kByLines = 1.5;
constexpr int kLeastTold = 12;  // patches, to calibrate anything by

// 0..3, neighbours in both directions differ, so a block left out has others beside it.
int turn_of(cv::Point2d mm, double block) {
  const int i = static_cast<int>(std::floor(mm.x / block));
  const int j = static_cast<int>(std::floor(mm.y / block));
  return ((i + 2 * j) % kTurns + kTurns) % kTurns;
}

double quantile_of(std::vector<double>& v, double q) {
  const auto k = static_cast<std::ptrdiff_t>(q * static_cast<double>(v.size() - 1));
  std::nth_element(v.begin(), v.begin() + k, v.end());
  return v[static_cast<std::size_t>(k)];
}

// Direction in which a shift is known best.
cv::Vec2d best_known(const cv::Matx22d& c) {
  const double angle = 0.5 * std::atan2(2 * c(0, 1), c(0, 0) - c(1, 1));  // of the largest variance
  return {-std::sin(angle), std::cos(angle)};
}

// What held-out patches tell: squared residuals in units of what was expected of them.
struct Told {
  std::vector<double> ratio;
  // One direction of one patch, where the fit's variance there is the larger part.
  void hear(cv::Vec2d n, cv::Vec2d e, const cv::Matx22d& fit, const cv::Matx22d& own) {
    const double of_fit = (fit * n).dot(n), of_patch = (own * n).dot(n);
    if (of_fit < of_patch) return;
    ratio.push_back(e.dot(n) * e.dot(n) / (of_fit + of_patch));
  }
};

}  // namespace

double SelfCheck::inflation(double distance_mm) const {
  constexpr double kNearMm = 3, kFarMm = 6;  // patches lie 3 mm apart
  const double t = std::clamp((distance_mm - kNearMm) / (kFarMm - kNearMm), 0.0, 1.0);
  return near_inflation + t * (far_inflation - near_inflation);
}

NearestMatch::NearestMatch(const std::vector<Measured>& data) {
  cv::Point2d low(1e9, 1e9), high(-1e9, -1e9);
  std::vector<cv::Point2d> places;
  for (const Measured& m : data) {
    if (!m.patch || m.weight <= kAccepted) continue;
    places.push_back(m.at);
    low = {std::min(low.x, m.at.x), std::min(low.y, m.at.y)};
    high = {std::max(high.x, m.at.x), std::max(high.y, m.at.y)};
  }
  if (places.empty()) return;
  origin_ = low;
  nx_ = static_cast<int>((high.x - low.x) / kBucket) + 1;
  ny_ = static_cast<int>((high.y - low.y) / kBucket) + 1;
  buckets_.resize(static_cast<std::size_t>(nx_) * static_cast<std::size_t>(ny_));
  for (const cv::Point2d& p : places) {
    const int i = static_cast<int>((p.x - low.x) / kBucket);
    const int j = static_cast<int>((p.y - low.y) / kBucket);
    buckets_[static_cast<std::size_t>(j * nx_ + i)].push_back(p);
  }
}

double NearestMatch::operator()(cv::Point2d mm) const {
  double nearest = 1e9;
  if (buckets_.empty()) return nearest;
  const double x = (mm.x - origin_.x) / kBucket, y = (mm.y - origin_.y) / kBucket;
  const int i = std::clamp(static_cast<int>(std::floor(x)), 0, nx_ - 1);
  const int j = std::clamp(static_cast<int>(std::floor(y)), 0, ny_ - 1);
  // Ring by ring, until no ring further out can hold a nearer one.
  for (int ring = 0; ring < std::max(nx_, ny_); ++ring) {
    for (int b = std::max(0, j - ring); b <= std::min(ny_ - 1, j + ring); ++b) {
      const bool whole = std::abs(b - j) == ring;
      for (int a = i - ring; a <= i + ring; a += whole || ring == 0 ? 1 : 2 * ring) {
        if (a < 0 || a >= nx_) continue;
        for (const cv::Point2d& p : buckets_[static_cast<std::size_t>(b * nx_ + a)])
          nearest = std::min(nearest, cv::norm(p - mm));
      }
    }
    if (nearest <= ring * kBucket) break;
  }
  return nearest;
}

SelfCheck blocked_cross_validation(SplineFit& system,
                                   const std::vector<Measured>& data,
                                   const RobustFit& fit,
                                   double floor_mm,
                                   const cv::Rect2d& area_mm,
                                   bool dense) {
  SelfCheck check;
  const double block = std::clamp(std::sqrt(area_mm.area()) / 5, 12.0, 24.0);
  const std::vector<FitDatum> all = as_fit_data(data, fit.set_scale, floor_mm);
  struct Turn {
    std::vector<double> residual;
    Told told;
  };
  std::array<Turn, kTurns> turns;
  system.side_by_side(kTurns, [&](SplineFit& fitted, int turn) {
    Turn& heard = turns[static_cast<std::size_t>(turn)];
    std::vector<FitDatum> kept;
    std::vector<std::size_t> out;
    for (std::size_t k = 0; k < all.size(); ++k) {
      if (turn_of(all[k].at, block) != turn)
        kept.push_back(all[k]);
      else if (data[k].weight > kAccepted)
        out.push_back(k);
    }
    if (kept.size() < 8 || out.empty()) return;
    const SplineFit::Answer answer = fitted.solve(kept, fit.prior);
    // Expected variances at a sample of the places: they cost two solves each.
    const std::size_t stride = std::max<std::size_t>(1, out.size() / 60);
    std::vector<cv::Point2d> sample;
    for (std::size_t k = 0; k < out.size(); k += stride) sample.push_back(all[out[k]].at);
    const std::vector<cv::Matx22d> expected = fitted.covariance_at(sample);
    for (std::size_t k = 0; k < out.size(); ++k) {
      const Measured& m = data[out[k]];
      const cv::Vec2d e = m.shift - answer.stiff.at(m.at) - answer.fine.at(m.at);
      heard.residual.push_back(cv::norm(e));
      if (k % stride != 0) continue;
      const cv::Matx22d own = m.covariance * fit.set_scale[static_cast<std::size_t>(m.set)] +
                              cv::Matx22d::eye() * (floor_mm * floor_mm);
      const cv::Vec2d n = best_known(own);
      heard.told.hear(n, e, expected[k / stride], own);
      heard.told.hear({-n[1], n[0]}, e, expected[k / stride], own);
    }
  });
  system.drop_twin();
  std::vector<double> residual;
  Told told;
  for (const Turn& t : turns) {
    residual.insert(residual.end(), t.residual.begin(), t.residual.end());
    told.ratio.insert(told.ratio.end(), t.told.ratio.begin(), t.told.ratio.end());
  }
  check.held_out = static_cast<int>(residual.size());
  if (residual.size() >= 8) {
    check.held_out_median_mm = quantile_of(residual, 0.5);
    check.held_out_p95_mm = quantile_of(residual, 0.95);
  }
  check.near_inflation = check.far_inflation = dense ? kByGrain : kByLines;
  if (told.ratio.size() >= kLeastTold) {
    // Of a chi-square with 1 degree of freedom the median is 0.455, the 90th percentile 2.706.
    const double by_median = quantile_of(told.ratio, 0.5) / 0.455;
    const double by_tail = quantile_of(told.ratio, 0.9) / 2.706;
    check.far_inflation = std::clamp(std::max(by_median, by_tail), check.far_inflation, 25.0);
  }
  if (!dense) check.near_inflation = check.far_inflation;
  return check;
}

SigmaMap::SigmaMap(const SplineFit& system,
                   const std::vector<Measured>& data,
                   const cv::Rect2d& area,
                   double step,
                   const SelfCheck& check,
                   double floor)
    : area_(area) {
  nx_ = std::max(2, static_cast<int>(std::ceil(area.width / step)) + 1);
  ny_ = std::max(2, static_cast<int>(std::ceil(area.height / step)) + 1);
  std::vector<cv::Point2d> nodes;
  for (int j = 0; j < ny_; ++j)
    for (int i = 0; i < nx_; ++i)
      nodes.emplace_back(area.x + area.width * i / (nx_ - 1), area.y + area.height * j / (ny_ - 1));
  const std::vector<cv::Matx22d> covariance = system.covariance_at(nodes);
  const NearestMatch nearest(data);
  for (std::size_t k = 0; k < nodes.size(); ++k) {
    const double inflation = check.inflation(nearest(nodes[k]));
    const cv::Matx22d& c = covariance[k];
    sigma_.push_back(std::sqrt((c(0, 0) + c(1, 1)) / 2 * inflation + floor * floor));
  }
}

double SigmaMap::at(cv::Point2d mm) const {
  const double x = std::clamp((mm.x - area_.x) / area_.width * (nx_ - 1), 0.0, nx_ - 1.0);
  const double y = std::clamp((mm.y - area_.y) / area_.height * (ny_ - 1), 0.0, ny_ - 1.0);
  const int i = std::min(static_cast<int>(x), nx_ - 2), j = std::min(static_cast<int>(y), ny_ - 2);
  const double s = x - i, t = y - j;
  const auto node = [&](int a, int b) { return sigma_[static_cast<std::size_t>(b * nx_ + a)]; };
  return (1 - t) * ((1 - s) * node(i, j) + s * node(i + 1, j)) +
         t * ((1 - s) * node(i, j + 1) + s * node(i + 1, j + 1));
}

ErrorMm error_over(const std::vector<double>& sigmas) {
  ErrorMm error;
  if (sigmas.empty()) return error;
  const double most = *std::max_element(sigmas.begin(), sigmas.end());
  const auto share_below = [&](double length) {
    double sum = 0;
    for (const double s : sigmas) sum += 1 - std::exp(-length * length / (2 * s * s));
    return sum / static_cast<double>(sigmas.size());
  };
  const auto solve = [&](double q) {
    double low = 0, high = 10 * most;
    for (int k = 0; k < 60; ++k) {
      const double mid = (low + high) / 2;
      (share_below(mid) < q ? low : high) = mid;
    }
    return (low + high) / 2;
  };
  error.median = solve(0.5);
  error.p95 = solve(0.95);
  return error;
}

}  // namespace rebite::align

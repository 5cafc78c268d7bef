#include "align/self_check.h"

#include <algorithm>
#include <cmath>

namespace rebite::align {
namespace {

constexpr double kBlock = 12;  // mm
constexpr int kTurns = 4;

// 0..3, neighbours in both directions differ, so a block left out has others beside it.
int turn_of(cv::Point2d mm) {
  const int i = static_cast<int>(std::floor(mm.x / kBlock));
  const int j = static_cast<int>(std::floor(mm.y / kBlock));
  return ((i + 2 * j) % kTurns + kTurns) % kTurns;
}

double quantile_of(std::vector<double>& v, double q) {
  const auto k = static_cast<std::ptrdiff_t>(q * static_cast<double>(v.size() - 1));
  std::nth_element(v.begin(), v.begin() + k, v.end());
  return v[static_cast<std::size_t>(k)];
}

}  // namespace

SelfCheck blocked_cross_validation(SplineFit& system,
                                   const std::vector<Measured>& data,
                                   const RobustFit& fit,
                                   double floor_mm) {
  SelfCheck check;
  const std::vector<FitDatum> all = as_fit_data(data, fit.set_scale, floor_mm);
  std::vector<double> residual, ratio;
  for (int turn = 0; turn < kTurns; ++turn) {
    std::vector<FitDatum> kept;
    std::vector<std::size_t> out;
    for (std::size_t k = 0; k < all.size(); ++k) {
      if (turn_of(all[k].at) != turn)
        kept.push_back(all[k]);
      else if (data[k].weight > 0.3)
        out.push_back(k);
    }
    if (kept.size() < 8 || out.empty()) continue;
    const SplineFit::Answer answer = system.solve(kept, fit.prior);
    // Expected variances at a sample of the places: they cost two solves each.
    const std::size_t stride = std::max<std::size_t>(1, out.size() / 40);
    std::vector<cv::Point2d> sample;
    for (std::size_t k = 0; k < out.size(); k += stride) sample.push_back(all[out[k]].at);
    const std::vector<cv::Matx22d> expected = system.covariance_at(sample);
    for (std::size_t k = 0; k < out.size(); ++k) {
      const Measured& m = data[out[k]];
      const cv::Vec2d e = m.shift - answer.stiff.at(m.at) - answer.fine.at(m.at);
      residual.push_back(cv::norm(e));
      if (k % stride != 0) continue;
      const cv::Matx22d own = m.covariance * fit.set_scale[static_cast<std::size_t>(m.set)] +
                              cv::Matx22d::eye() * (floor_mm * floor_mm);
      ratio.push_back(((expected[k / stride] + own).inv() * e).dot(e));
    }
  }
  check.held_out = static_cast<int>(residual.size());
  if (residual.size() < 8) return check;
  check.held_out_median_mm = quantile_of(residual, 0.5);
  check.held_out_p95_mm = quantile_of(residual, 0.95);
  // Of a chi-square with 2 degrees of freedom the median is 2 ln 2, the 90th percentile 2 ln 10.
  const double by_median = quantile_of(ratio, 0.5) / (2 * std::log(2.0));
  const double by_tail = quantile_of(ratio, 0.9) / (2 * std::log(10.0));
  check.inflation = std::clamp(std::max(by_median, by_tail), 0.5, 25.0);
  return check;
}

SigmaMap::SigmaMap(
    const SplineFit& system, const cv::Rect2d& area, double step, double inflation, double floor)
    : area_(area) {
  nx_ = std::max(2, static_cast<int>(std::ceil(area.width / step)) + 1);
  ny_ = std::max(2, static_cast<int>(std::ceil(area.height / step)) + 1);
  std::vector<cv::Point2d> nodes;
  for (int j = 0; j < ny_; ++j)
    for (int i = 0; i < nx_; ++i)
      nodes.emplace_back(area.x + area.width * i / (nx_ - 1), area.y + area.height * j / (ny_ - 1));
  for (const cv::Matx22d& c : system.covariance_at(nodes))
    sigma_.push_back(std::sqrt((c(0, 0) + c(1, 1)) / 2 * inflation + floor * floor));
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

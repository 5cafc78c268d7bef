#include "scan/monotone.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <utility>

namespace rebite::scan {
namespace {

// One-sided three-point slope at an end, kept from overshooting.
double end_slope(double h0, double h1, double d0, double d1) {
  const double s = ((2 * h0 + h1) * d0 - h0 * d1) / (h0 + h1);
  if (s * d0 <= 0) return 0;
  if (d0 * d1 <= 0 && std::abs(s) > 3 * std::abs(d0)) return 3 * d0;
  return s;
}

}  // namespace

std::vector<double> fritsch_butland_slopes(const std::vector<double>& x,
                                           const std::vector<double>& y) {
  const std::size_t n = x.size();
  assert(n >= 2 && y.size() == n);
  std::vector<double> h(n - 1), d(n - 1);
  for (std::size_t i = 0; i + 1 < n; ++i) {
    h[i] = x[i + 1] - x[i];
    assert(h[i] > 0);
    d[i] = (y[i + 1] - y[i]) / h[i];
  }
  if (n == 2) return {d[0], d[0]};
  std::vector<double> m(n, 0.0);
  for (std::size_t i = 1; i + 1 < n; ++i) {
    if (d[i - 1] * d[i] <= 0) continue;  // 0 at a turn
    const double w1 = 2 * h[i] + h[i - 1], w2 = h[i] + 2 * h[i - 1];
    m[i] = (w1 + w2) / (w1 / d[i - 1] + w2 / d[i]);
  }
  m[0] = end_slope(h[0], h[1], d[0], d[1]);
  m[n - 1] = end_slope(h[n - 2], h[n - 3], d[n - 2], d[n - 3]);
  return m;
}

double hermite_piece(double h, double t, double y0, double m0, double y1, double m1) {
  const double a = (1 + 2 * t) * (1 - t) * (1 - t), b = t * (1 - t) * (1 - t);
  const double c = t * t * (3 - 2 * t), d = t * t * (t - 1);
  return a * y0 + b * h * m0 + c * y1 + d * h * m1;
}

Monotone::Monotone(std::vector<double> x, std::vector<double> y)
    : x_(std::move(x)), y_(std::move(y)), slope_(fritsch_butland_slopes(x_, y_)) {}

double Monotone::at(double x) const {
  if (!(x > x_.front())) return y_.front();
  if (x >= x_.back()) return y_.back();
  const auto i =
      static_cast<std::size_t>(std::upper_bound(x_.begin(), x_.end(), x) - x_.begin()) - 1;
  const double h = x_[i + 1] - x_[i];
  return hermite_piece(h, (x - x_[i]) / h, y_[i], slope_[i], y_[i + 1], slope_[i + 1]);
}

std::vector<double> log10_of(const std::vector<double>& v) {
  std::vector<double> out(v.size());
  std::transform(v.begin(), v.end(), out.begin(), [](double a) { return std::log10(a); });
  return out;
}

}  // namespace rebite::scan

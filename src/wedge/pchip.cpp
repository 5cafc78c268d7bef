#include "wedge/pchip.h"

#include <algorithm>
#include <cassert>
#include <cmath>

#include "scan/monotone.h"

namespace rebite::wedge {
namespace {

struct Steps {
  std::vector<double> h, d;  // widths and secant slopes
};

Steps steps_of(const std::vector<double>& x, const std::vector<double>& y) {
  assert(x.size() == y.size() && x.size() >= 2);
  Steps s;
  for (std::size_t i = 0; i + 1 < x.size(); ++i) {
    s.h.push_back(x[i + 1] - x[i]);
    assert(s.h.back() > 0);
    s.d.push_back((y[i + 1] - y[i]) / s.h.back());
  }
  return s;
}

}  // namespace

std::vector<double> fritsch_butland_slopes(const std::vector<double>& x,
                                           const std::vector<double>& y) {
  return scan::fritsch_butland_slopes(x, y);
}

std::vector<double> fritsch_carlson_slopes(const std::vector<double>& x,
                                           const std::vector<double>& y) {
  const auto [h, d] = steps_of(x, y);
  const std::size_t n = x.size();
  std::vector<double> m(n);
  m[0] = d[0];
  m[n - 1] = d[n - 2];
  for (std::size_t i = 1; i + 1 < n; ++i) m[i] = (d[i - 1] + d[i]) / 2;
  for (std::size_t i = 0; i + 1 < n; ++i) {
    if (d[i] == 0) {
      m[i] = m[i + 1] = 0;
      continue;
    }
    const double a = m[i] / d[i];
    const double b = m[i + 1] / d[i];
    if (a < 0) m[i] = 0;
    if (b < 0) m[i + 1] = 0;
    // Monotone where phi(a, b) = a - (2a + b - 3)^2 / (3 (a + b - 2)) >= 0 or in the two simple
    // triangles (their equation 7 and figure 1); else back onto the circle of radius 3.
    const bool in_triangles = 2 * a + b <= 3 || a + 2 * b <= 3;
    const double numerator = (2 * a + b - 3) * (2 * a + b - 3);
    if (!in_triangles && a - numerator / (3 * (a + b - 2)) < 0) {
      const double back = 3 / std::hypot(a, b);
      m[i] = back * a * d[i];
      m[i + 1] = back * b * d[i];
    }
  }
  return m;
}

HermiteCurve::HermiteCurve(std::vector<double> x, std::vector<double> y, std::vector<double> slopes)
    : x_(std::move(x)), y_(std::move(y)), slopes_(std::move(slopes)) {
  assert(x_.size() >= 2 && x_.size() == y_.size() && x_.size() == slopes_.size());
}

HermiteCurve::HermiteCurve(std::vector<double> x, std::vector<double> y)
    : x_(std::move(x)), y_(std::move(y)), slopes_(fritsch_butland_slopes(x_, y_)) {}

double HermiteCurve::in_piece(std::size_t i, double x) const {
  const double h = x_[i + 1] - x_[i];
  return scan::hermite_piece(h, (x - x_[i]) / h, y_[i], slopes_[i], y_[i + 1], slopes_[i + 1]);
}

double HermiteCurve::at(double x) const {
  assert(!x_.empty());
  if (!(x > x_.front())) return y_.front();
  if (x >= x_.back()) return y_.back();
  const auto after = std::upper_bound(x_.begin(), x_.end(), x);
  return in_piece(static_cast<std::size_t>(after - x_.begin()) - 1, x);
}

double HermiteCurve::slope_at(double x) const {
  assert(!x_.empty());
  if (x < x_.front() || x > x_.back() || std::isnan(x)) return 0;
  auto after = std::upper_bound(x_.begin(), x_.end(), x);
  if (after == x_.end()) --after;
  const auto i = static_cast<std::size_t>(after - x_.begin()) - 1;
  const double h = x_[i + 1] - x_[i];
  const double t = (x - x_[i]) / h;
  return (6 * t * t - 6 * t) / h * (y_[i] - y_[i + 1]) + (3 * t * t - 4 * t + 1) * slopes_[i] +
         (3 * t * t - 2 * t) * slopes_[i + 1];
}

double HermiteCurve::inverse(double y) const {
  assert(!x_.empty());
  if (y <= y_.front()) return x_.front();
  // First point that is at least y: the answer lies in the piece before it.
  const auto reached = std::lower_bound(y_.begin(), y_.end(), y);
  if (reached == y_.end()) return x_.back();
  const auto i = static_cast<std::size_t>(reached - y_.begin()) - 1;
  double low = x_[i];
  double high = x_[i + 1];
  // Bisection: the piece is monotone, and 60 halvings reach the last bit.
  for (int k = 0; k < 60; ++k) {
    const double middle = 0.5 * (low + high);
    if (middle <= low || middle >= high) break;
    (in_piece(i, middle) >= y ? high : low) = middle;
  }
  return high;
}

}  // namespace rebite::wedge

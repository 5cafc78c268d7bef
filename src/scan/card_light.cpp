#include "scan/card_light.h"

#include <algorithm>
#include <cmath>
#include <opencv2/core.hpp>

#include "scan/monotone.h"

namespace rebite::scan {
namespace {

constexpr double even_card = 0.006;  // log10 sd of the card about its parabola
constexpr double enough = 0.002;     // log10: a smaller range is noise, nothing is taken out

// log10 reflectance of a code; beyond the lightest patch straight on in log code, as card is often
// a little lighter than it.
class LogReflectance {
 public:
  explicit LogReflectance(const GreyFit& fit)
      : code_(fit.code), log_(log10_of(fit.reflectance)), curve_(code_, log_) {
    const std::size_t n = code_.size();
    const std::size_t k = n > 8 ? n - 8 : 0;
    slope_ = (log_[n - 1] - log_[k]) / std::log10(code_[n - 1] / code_[k]);
  }
  double of(double code) const {
    if (code <= code_.back()) return curve_.at(code);
    return log_.back() + slope_ * std::log10(code / code_.back());
  }

 private:
  std::vector<double> code_, log_;
  Monotone curve_;
  double slope_ = 1;
};

// Values of the parabola through v over -1..1, and the sd of v about it.
struct Parabola {
  std::vector<double> value;
  double sd = 0;
};

Parabola fit_parabola(const std::vector<double>& v) {
  const int n = static_cast<int>(v.size());
  cv::Mat1d a(n, 3), b(n, 1), x;
  for (int i = 0; i < n; ++i) {
    const double t = 2.0 * i / (n - 1) - 1;
    a(i, 0) = 1;
    a(i, 1) = t;
    a(i, 2) = t * t;
    b(i) = v[static_cast<std::size_t>(i)];
  }
  cv::solve(a, b, x, cv::DECOMP_QR);
  Parabola p;
  double squares = 0;
  for (int i = 0; i < n; ++i) {
    const double f = x(0) * a(i, 0) + x(1) * a(i, 1) + x(2) * a(i, 2);
    p.value.push_back(f);
    squares += (b(i) - f) * (b(i) - f);
  }
  p.sd = std::sqrt(squares / std::max(1, n - 3));
  return p;
}

}  // namespace

CardLight light_along_card(const std::vector<GreyReading>& readings, const GreyFit& fit) {
  CardLight light;
  light.log_light.assign(readings.size(), 0.0);
  const LogReflectance log_of(fit);
  int sides = 0;
  for (const int side : {0, 1}) {
    std::vector<double> v;
    for (const GreyReading& r : readings) {
      // A dark card tells less of the light than of the scanner's noise.
      if (std::isnan(r.card[side]) || r.card[side] < fit.code.front() || r.card[side] >= 1 - 1e-6)
        break;
      v.push_back(log_of.of(r.card[side]));
    }
    if (v.size() != readings.size()) continue;
    const Parabola p = fit_parabola(v);
    if (p.sd > even_card) continue;
    double mean = 0;
    for (const double a : p.value) mean += a / double(p.value.size());
    for (std::size_t i = 0; i < v.size(); ++i) light.log_light[i] += p.value[i] - mean;
    ++sides;
  }
  if (sides == 0) return light;
  for (double& l : light.log_light) l /= sides;
  const auto [low, high] = std::minmax_element(light.log_light.begin(), light.log_light.end());
  light.range = *high - *low;
  light.seen = true;
  if (light.range < enough) std::fill(light.log_light.begin(), light.log_light.end(), 0.0);
  return light;
}

}  // namespace rebite::scan

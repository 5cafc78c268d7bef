#include "wedge/monotone_form.h"

#include <algorithm>
#include <boost/math/distributions/students_t.hpp>
#include <cassert>
#include <cmath>

#include "wedge/pchip.h"

namespace rebite::wedge {
namespace {

// Share of the rectangle between two steps that one standard deviation takes midway.
constexpr double open_share = 0.06;

struct Knots {
  std::vector<double> t, d, sd;
};

Knots knots_of(const std::vector<WedgeStep>& steps,
               const std::vector<double>& rising,
               double factor) {
  Knots k;
  if (steps.front().time.in_minutes() > 0) {
    const double first = std::max(rising.front(), 0.0);
    k.t.push_back(0);
    k.d.push_back(std::min(0.5 * first, rising.front()));
    k.sd.push_back(std::max(0.25 * first, steps.front().sd));
  }
  for (std::size_t i = 0; i < steps.size(); ++i) {
    k.t.push_back(steps[i].time.in_minutes());
    k.d.push_back(rising[i]);
    k.sd.push_back(steps[i].sd * factor);
  }
  return k;
}

}  // namespace

ToneCurve::Table monotone_table(const std::vector<WedgeStep>& steps,
                                const std::vector<double>& rising,
                                const std::vector<double>& grid,
                                double sd_dof) {
  assert(steps.size() == rising.size() && steps.size() >= 2);
  double factor = 1;
  if (!std::isinf(sd_dof)) {
    const boost::math::students_t t(std::max(sd_dof, static_cast<double>(steps.size()) / 2));
    factor = boost::math::quantile(t, 0.95) / ToneCurve::z90;
  }
  const Knots k = knots_of(steps, rising, factor);
  const HermiteCurve curve(k.t, k.d);
  ToneCurve::Table table;
  for (const double m : grid) {
    const auto after = std::upper_bound(k.t.begin(), k.t.end(), m);
    const auto i = std::min(static_cast<std::size_t>(after - k.t.begin()), k.t.size() - 1) - 1;
    const double share = std::clamp((m - k.t[i]) / (k.t[i + 1] - k.t[i]), 0.0, 1.0);
    const double line = k.d[i] + share * (k.d[i + 1] - k.d[i]);
    const double value = curve.at(m);
    const double measured = std::hypot((1 - share) * k.sd[i], share * k.sd[i + 1]);
    const double open = open_share * 4 * share * (1 - share) * (k.d[i + 1] - k.d[i]);
    table.minutes.push_back(m);
    table.density.push_back(value);
    table.sd.push_back(
        std::sqrt(measured * measured + open * open + 0.25 * (value - line) * (value - line)));
  }
  return table;
}

}  // namespace rebite::wedge

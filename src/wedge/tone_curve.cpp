#include "wedge/tone_curve.h"

#include <algorithm>
#include <cassert>
#include <cmath>

namespace rebite::wedge {
namespace {

bool usable(const ToneCurve::Table& t) {
  if (t.minutes.size() < 2 || t.density.size() != t.minutes.size() ||
      t.sd.size() != t.minutes.size() || t.minutes.front() != 0) {
    return false;
  }
  for (std::size_t i = 0; i < t.minutes.size(); ++i) {
    if (!std::isfinite(t.minutes[i]) || !std::isfinite(t.density[i]) || !(t.sd[i] > 0) ||
        !std::isfinite(t.sd[i])) {
      return false;
    }
    if (i > 0 && (t.minutes[i] <= t.minutes[i - 1] || t.density[i] < t.density[i - 1])) {
      return false;
    }
  }
  return true;
}

double straight_line(const std::vector<double>& x, const std::vector<double>& y, double at) {
  if (!(at > x.front())) return y.front();
  if (at >= x.back()) return y.back();
  const auto i = static_cast<std::size_t>(std::upper_bound(x.begin(), x.end(), at) - x.begin());
  const double share = (at - x[i - 1]) / (x[i] - x[i - 1]);
  return y[i - 1] + share * (y[i] - y[i - 1]);
}

// Land: the share of the area that is still unbitten and shows `film`, kept within 0..1.
double land(Density d, Density solid, Density film) {
  const double ink = solid.reflectance();
  return std::clamp((d.reflectance() - ink) / (film.reflectance() - ink), 0.0, 1.0);
}

Density tone_of_land(double left, Density solid, Density film) {
  const double ink = solid.reflectance();
  return Density::of_reflectance(ink + left * (film.reflectance() - ink));
}

}  // namespace

ToneCurve::ToneCurve(CurveKind kind,
                     Table table,
                     std::vector<std::pair<std::string, double>> parameters,
                     BiteTime useful_until)
    : kind_(kind),
      table_(std::move(table)),
      parameters_(std::move(parameters)),
      useful_until_(useful_until) {
  assert(usable(table_));
  assert(useful_until.in_minutes() > 0 && useful_until.in_minutes() <= table_.minutes.back());
  density_ = HermiteCurve(table_.minutes, table_.density);
}

Density ToneCurve::at(BiteTime t) const { return Density::of(density_.at(t.in_minutes())); }

double ToneCurve::sd_at(BiteTime t) const {
  return straight_line(table_.minutes, table_.sd, t.in_minutes());
}

double ToneCurve::slope_at(BiteTime t) const {
  return std::max(0.0, density_.slope_at(t.in_minutes()));
}

std::optional<BiteTime> ToneCurve::time_for(Density d) const {
  assert(std::isfinite(d.value()));
  if (d <= lightest()) return BiteTime::minutes(0);
  if (d >= darkest()) {
    if ((d - darkest()).value() > sd_at(useful_until_)) return std::nullopt;
    return BiteTime::minutes(
        std::min(useful_until_.in_minutes(), density_.inverse(darkest().value())));
  }
  return BiteTime::minutes(density_.inverse(d.value()));
}

std::optional<TimeInterval> ToneCurve::interval_for(Density d, double d_sd, double z) const {
  const auto best = time_for(d);
  if (!best) return std::nullopt;
  // Where the edge `density + sign z sd` first reaches d, looked for on the table's own points with
  // a straight line between (the table is dense: its lines are within a thousandth of its cubics).
  const auto first_reach = [&](double sign) {
    const auto edge = [&](std::size_t i) {
      return table_.density[i] + sign * z * std::hypot(table_.sd[i], d_sd) - d.value();
    };
    if (edge(0) >= 0) return 0.0;
    for (std::size_t i = 1; i < table_.minutes.size(); ++i) {
      const double now = edge(i);
      if (now < 0) continue;
      const double before = edge(i - 1);
      const double share = -before / (now - before);
      const double t = table_.minutes[i - 1] + share * (table_.minutes[i] - table_.minutes[i - 1]);
      return std::min(t, useful_until_.in_minutes());
    }
    return useful_until_.in_minutes();
  };
  const double low = std::min(first_reach(+1), best->in_minutes());
  const double high = std::max(first_reach(-1), best->in_minutes());
  return TimeInterval{BiteTime::minutes(low), *best, BiteTime::minutes(high)};
}

Density overlaid(Density now, Density fresh, Density solid, double q, Density film) {
  assert(solid > film && q >= 0);
  const double left = land(now, solid, film) * std::pow(land(fresh, solid, film), q);
  // A tone darker than the solid (noise) stays what it was.
  return std::max(now, tone_of_land(left, solid, film));
}

std::optional<Density> fresh_tone_for(
    Density now, Density target, Density solid, double q, Density film) {
  assert(solid > film && q > 0);
  if (target < now || target >= solid) return std::nullopt;
  const double left_now = land(now, solid, film);
  const double left_target = land(target, solid, film);
  if (left_now <= 0 || left_target <= 0) return std::nullopt;
  const double left_fresh = std::min(1.0, std::pow(left_target / left_now, 1.0 / q));
  return tone_of_land(left_fresh, solid, film);
}

}  // namespace rebite::wedge

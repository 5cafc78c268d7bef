#include "book/evidence.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>

#include "plan/conditions.h"
#include "plan/minutes.h"

namespace rebite::book {
namespace {

constexpr double wiping_sd = 0.03;  // of one sheet against another; common practice, no source
constexpr double speed_sd = 1.0;    // before anything is known, hardly a limit
constexpr double slope_prior_sd = 0.5;
constexpr double degrees_of_freedom = 4;
constexpr double least_sd = 0.005;        // density: no reading is better
constexpr std::size_t most_unknowns = 3;  // ln speed, wiping, slope

using Vector = std::array<double, most_unknowns>;

struct Point {
  bool bitten = false;
  double now = 0, minutes = 0, reached = 0, sd = 0;
  double along = 0;  // ln minutes minus its mean
};

class Fit {
 public:
  Fit(std::vector<Point> points, const plan::BiteModel& model, bool slope)
      : points_(std::move(points)), model_(model), used_(slope ? 3 : 2) {}

  double expected(const Point& p, const Vector& v) const {
    if (!p.bitten) return p.now + v[1];
    const double t = p.minutes * std::exp(-v[0] - v[2] * p.along);
    return model_.reached(Density::of(p.now), BiteTime::minutes(t)).value() + v[1];
  }
  double standardised(const Point& p, const Vector& v) const {
    return (p.reached - expected(p, v)) / p.sd;
  }
  static double weight(double r) { return (degrees_of_freedom + 1) / (degrees_of_freedom + r * r); }
  double cost(const Vector& v) const {
    double sum = 0;
    for (std::size_t k = 0; k < used_; ++k) sum += v[k] * v[k] / (prior(k) * prior(k));
    for (const auto& p : points_) {
      const double r = standardised(p, v);
      sum += (degrees_of_freedom + 1) * std::log1p(r * r / degrees_of_freedom);
    }
    return sum;
  }
  // Best point of a grid over the speed, then weighted Gauss-Newton with halved steps.
  Vector solve(Vector v) const {
    if (v[0] == 0) {
      Vector best = v;
      for (int i = -30; i <= 30; ++i) {
        Vector at = v;
        at[0] = 0.05 * i;
        if (cost(at) < cost(best)) best = at;
      }
      v = best;
    }
    for (int round = 0; round < 40; ++round) {
      const auto [a, g] = normal_equations(v);
      Vector step = solved(a, g);
      double share = 1;
      const double before = cost(v);
      Vector next = v;
      while (share > 1e-4) {
        for (std::size_t k = 0; k < used_; ++k) {
          next[k] = v[k] + share * std::clamp(step[k], -0.5, 0.5);
        }
        if (cost(next) <= before) break;
        share /= 2;
      }
      if (share <= 1e-4) break;
      double moved = 0;
      for (std::size_t k = 0; k < used_; ++k) moved = std::max(moved, std::fabs(next[k] - v[k]));
      v = next;
      if (moved < 1e-7) break;
    }
    return v;
  }
  // Variance of parameter k at v, widened where the regions scatter more than their sd says.
  double variance(const Vector& v, std::size_t k) const {
    const auto [a, g] = normal_equations(v);
    Vector unit{};
    unit[k] = 1;
    const double own = solved(a, unit)[k];
    double sum = 0;
    for (const auto& p : points_) {
      const double r = standardised(p, v);
      sum += weight(r) * r * r;
    }
    const double left = static_cast<double>(points_.size()) - static_cast<double>(used_);
    const double scatter = left > 0 ? sum / left : 1;
    // 1.4 = (dof + 3) / (dof + 1): information of a t against its weights at the centre.
    return own * std::max(1.0, scatter) * (degrees_of_freedom + 3) / (degrees_of_freedom + 1);
  }

 private:
  using Matrix = std::array<Vector, most_unknowns>;
  static double prior(std::size_t k) {
    return k == 0 ? speed_sd : k == 1 ? wiping_sd : slope_prior_sd;
  }
  std::pair<Matrix, Vector> normal_equations(const Vector& v) const {
    Matrix a{};
    Vector g{};
    for (std::size_t k = 0; k < used_; ++k) {
      a[k][k] = 1 / (prior(k) * prior(k));
      g[k] = -v[k] / (prior(k) * prior(k));
    }
    constexpr double h = 0.01;
    for (const auto& p : points_) {
      const double r = standardised(p, v), w = weight(r);
      Vector j{};
      for (std::size_t k = 0; k < used_; ++k) {
        Vector up = v, down = v;
        up[k] += h, down[k] -= h;
        j[k] = (expected(p, up) - expected(p, down)) / (2 * h) / p.sd;
      }
      for (std::size_t k = 0; k < used_; ++k) {
        g[k] += w * j[k] * r;
        for (std::size_t l = 0; l < used_; ++l) a[k][l] += w * j[k] * j[l];
      }
    }
    return {a, g};
  }
  // Cholesky; the priors keep the matrix positive definite.
  Vector solved(const Matrix& a, const Vector& b) const {
    Matrix l{};
    Vector y{}, x{};
    for (std::size_t i = 0; i < used_; ++i) {
      for (std::size_t j = 0; j <= i; ++j) {
        double s = a[i][j];
        for (std::size_t k = 0; k < j; ++k) s -= l[i][k] * l[j][k];
        l[i][j] = i == j ? std::sqrt(s) : s / l[j][j];
      }
      double s = b[i];
      for (std::size_t k = 0; k < i; ++k) s -= l[i][k] * y[k];
      y[i] = s / l[i][i];
    }
    for (std::size_t i = used_; i-- > 0;) {
      double s = y[i];
      for (std::size_t k = i + 1; k < used_; ++k) s -= l[k][i] * x[k];
      x[i] = s / l[i][i];
    }
    return x;
  }

  std::vector<Point> points_;
  const plan::BiteModel& model_;
  std::size_t used_;
};

Point point_of(const RegionOutcome& o, const wedge::Batch& batch, double mean_ln) {
  Point p;
  p.bitten = o.wedge_minutes > 0;
  p.now = o.now;
  p.minutes = o.wedge_minutes;
  p.reached = o.reached;
  const double curve_sd = p.bitten ? batch.curve.sd_at(BiteTime::minutes(o.wedge_minutes)) : 0;
  p.sd = std::max(least_sd, std::hypot(o.now_sd, std::hypot(o.reached_sd, curve_sd)));
  p.along = p.bitten ? std::log(o.wedge_minutes) - mean_ln : 0;
  return p;
}

bool usable(const RegionOutcome& o) {
  return std::isfinite(o.now) && std::isfinite(o.reached) && std::isfinite(o.wedge_minutes) &&
         std::isfinite(o.now_sd) && std::isfinite(o.reached_sd) && o.wedge_minutes >= 0;
}

// d ln t / d ln q of the bitten regions, at the speed found.
std::vector<double> overlap_answers(const std::vector<RegionOutcome>& outcomes,
                                    const wedge::Batch& batch,
                                    const plan::BiteModel& model,
                                    double speed) {
  constexpr double h = 0.1;
  wedge::Batch less = batch, more = batch;
  less.overlap.q *= 1 - h, more.overlap.q *= 1 + h;
  const plan::BiteModel low(less, plan::Ground::fresh, {}, 0.2);
  const plan::BiteModel high(more, plan::Ground::fresh, {}, 0.2);
  std::vector<double> answers;
  for (const auto& o : outcomes) {
    if (o.wedge_minutes <= 0) continue;
    const Density now = Density::of(o.now);
    const Density tone = model.reached(now, BiteTime::minutes(o.wedge_minutes / speed));
    if (tone >= low.reach(now) || tone <= now) continue;
    const double a = low.time_to(now, tone).in_minutes(), b = high.time_to(now, tone).in_minutes();
    if (a > 0 && b > 0) answers.push_back(std::log(b / a) / std::log((1 + h) / (1 - h)));
  }
  return answers;
}

}  // namespace

std::optional<StateEvidence> weigh(const std::vector<RegionOutcome>& all,
                                   const wedge::Batch& batch,
                                   plan::Ground ground) {
  std::vector<RegionOutcome> outcomes;
  std::copy_if(all.begin(), all.end(), std::back_inserter(outcomes), usable);
  double mean_ln = 0;
  int bitten = 0;
  for (const auto& o : outcomes) {
    if (o.wedge_minutes > 0) mean_ln += std::log(o.wedge_minutes), ++bitten;
  }
  if (bitten == 0) return std::nullopt;
  mean_ln /= bitten;
  const plan::BiteModel model(batch, ground, {}, 0.2);
  std::vector<Point> points;
  for (const auto& o : outcomes) points.push_back(point_of(o, batch, mean_ln));

  const Fit fit(points, model, false);
  const Vector at = fit.solve({});
  StateEvidence e;
  e.ln_speed = at[0];
  e.sd = std::sqrt(fit.variance(at, 0));
  if (e.sd > 0.8 * speed_sd) return std::nullopt;
  e.regions = bitten;
  e.inking = at[1];
  if (ground == plan::Ground::fresh) {
    const auto answers = overlap_answers(outcomes, batch, model, std::exp(e.ln_speed));
    const auto n = static_cast<double>(answers.size());
    for (const double a : answers) e.overlap_answer += a / n;
    double squares = 0;
    for (const double a : answers) squares += (a - e.overlap_answer) * (a - e.overlap_answer) / n;
    e.overlap_spread = std::sqrt(squares);
  }
  const Fit bent(points, model, true);
  const Vector sloped = bent.solve(at);
  e.slope = sloped[2];
  e.slope_sd = std::sqrt(bent.variance(sloped, 2));

  for (std::size_t i = 0; i < outcomes.size(); ++i) {
    const auto& o = outcomes[i];
    RegionAnswer answer{o.region, o.wedge_minutes, {}, o.predicted, o.reached, 0};
    answer.weight = std::min(1.0, Fit::weight(fit.standardised(points[i], at)));
    const Density tone = Density::of(o.reached - e.inking);
    if (o.wedge_minutes > 0 && tone.value() > o.now && tone < model.reach(Density::of(o.now))) {
      answer.wedge_minutes = model.time_to(Density::of(o.now), tone).in_minutes();
    }
    e.answers.push_back(answer);
  }
  return e;
}

Outcomes outcomes_of(const BatchUse& use, const wedge::Batch& batch) {
  Outcomes out;
  // Planned totals by stage, then dips; recorded dips take their place.
  std::map<int, double> total;
  for (const auto& p : use.predictions) {
    if (p.stage > 0 && p.minutes > 0) total[p.stage] = std::max(total[p.stage], p.minutes);
  }
  struct Dip {
    double minutes = 0, wedge_minutes = 0;
  };
  std::map<int, Dip> dips;
  double before = 0;
  for (const auto& [stage, minutes] : total) {
    const double dip = std::max(0.0, minutes - before);
    dips[stage] = {dip, dip / use.plan.temperature_factor};
    before = std::max(before, minutes);
  }
  out.temperature_ln_sd = use.plan.temperature_ln_sd;
  std::map<int, Dip> recorded;
  for (const auto& bite : use.bites) {
    Dip& dip = recorded[bite.stage];
    if (bite.struck) continue;
    double factor = use.plan.temperature_factor;
    if (bite.temperature_c) {
      plan::Bench bench;
      bench.temperature = Temperature::celsius(*bite.temperature_c);
      const auto conditions = plan::conditions_of(batch, bench).temperature_alone;
      factor = conditions.value;
      out.temperature_ln_sd = std::max(out.temperature_ln_sd, conditions.ln_sd);
    }
    dip.minutes += bite.minutes;
    dip.wedge_minutes += bite.minutes / factor;
  }
  for (auto& [stage, dip] : dips) {
    if (const auto done = recorded.find(stage); done != recorded.end()) {
      dip = done->second;
    } else {
      out.as_planned = true;
    }
  }
  double in_bath = 0, of_wedge = 0;
  std::map<int, Dip> sums;
  for (const auto& [stage, dip] : dips) {
    in_bath += dip.minutes, of_wedge += dip.wedge_minutes;
    sums[stage] = {in_bath, of_wedge};
  }
  if (of_wedge > 0) out.mean_factor = in_bath / of_wedge;
  for (const auto& p : use.predictions) {
    const Dip given = p.stage > 0 ? sums[p.stage] : Dip{};
    out.area_minutes += p.area_mm2 * given.minutes;
    const bool tells = p.action == "bite" || p.action == "beyond" || p.action == "hold";
    if (!p.reached || !tells) continue;
    out.regions.push_back({p.region,
                           given.wedge_minutes,
                           p.now,
                           p.now_sd,
                           p.predicted,
                           *p.reached,
                           p.reached_sd.value_or(0)});
  }
  return out;
}

}  // namespace rebite::book

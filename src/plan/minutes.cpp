#include "plan/minutes.h"

#include <algorithm>
#include <array>
#include <boost/math/special_functions/erf.hpp>
#include <cassert>
#include <cmath>
#include <cstddef>
#include <limits>
#include <numbers>

#include "plan/draws.h"

namespace rebite::plan {
namespace {

constexpr double never = std::numeric_limits<double>::infinity();
constexpr std::size_t draw_count = 1024;
constexpr std::uint64_t draw_seed = 18801880;

// An offset of inking is mistaken seldom, and then by much (tone::offset_doubt): on one plate of 16
// where it is in doubt. Its sd over all plates is what is told, so the mistaken ones have 4 times
// it. From a standard normal `z`: 0 in all but its upper sixteenth, which is stretched over a
// normal of its own, so that stratified draws stay so.
double rare_error(double z) {
  constexpr double chance = 1.0 / 16, scale = 4;
  const double above = 0.5 * std::erfc(z / std::numbers::sqrt2);
  return above < chance ? scale * std::numbers::sqrt2 * boost::math::erfc_inv(2 * above / chance)
                        : 0.0;
}

// The curve's error along its own density, 0 (lightest) .. 1 (darkest): a smooth random function
// with unit spread everywhere, from four bumps. Three or four parameters fitted to about seven
// steps leave errors that hold together over about a third of the range.
constexpr std::size_t bumps = 4;
constexpr double bump_width = 0.25;
std::array<double, bumps> error_shape(double along) {
  std::array<double, bumps> w{};
  double squares = 0;
  for (std::size_t k = 0; k < bumps; ++k) {
    const double off = (along - static_cast<double>(k) / (bumps - 1)) / bump_width;
    w[k] = std::exp(-0.5 * off * off);
    squares += w[k] * w[k];
  }
  for (double& v : w) v /= std::sqrt(squares);
  return w;
}

// The table's own times up to the end, with points between where the table is sparse.
std::vector<double> fine_grid(const std::vector<double>& minutes, double end) {
  std::vector<double> knots;
  for (const double m : minutes) {
    if (m < end) knots.push_back(m);
  }
  knots.push_back(end);
  const std::size_t split = std::max<std::size_t>(1, 160 / knots.size());
  std::vector<double> grid;
  for (std::size_t i = 0; i + 1 < knots.size(); ++i) {
    for (std::size_t s = 0; s < split; ++s) {
      const double share = static_cast<double>(s) / static_cast<double>(split);
      grid.push_back(knots[i] + share * (knots[i + 1] - knots[i]));
    }
  }
  grid.push_back(end);
  return grid;
}

double land(double density, double solid) {
  return std::max(0.0, 1.0 - coverage(Density::of(density), Density::of(solid)));
}
double density_of_land(double left, double solid) {
  return density_of_coverage(1.0 - left, Density::of(solid)).value();
}

// Tone that a bite must give on bare metal so that a fresh ground takes `now` to `target`, which is
// darker.
double fresh_needed(double now, double target, double bare, double solid, double q) {
  assert(target > now);
  const double left_now = land(now, solid), left_target = land(target, solid);
  if (left_target <= 0) return never;  // else `now`, which is lighter, has land left too
  return density_of_land(land(bare, solid) * std::pow(left_target / left_now, 1 / q), solid);
}
// And the tone that a bite which gives `bitten` on bare metal makes of `now`.
double fresh_reached(double now, double bitten, double bare, double solid, double q) {
  if (bitten <= bare) return now;
  const double ratio = land(bitten, solid) / land(bare, solid);
  return std::max(now, density_of_land(land(now, solid) * std::pow(ratio, q), solid));
}

double quantile(std::vector<double>& values, double share) {
  const auto last = static_cast<double>(values.size() - 1);
  const auto k = static_cast<std::ptrdiff_t>(
      std::clamp(share * static_cast<double>(values.size()), 0.0, last));
  std::nth_element(values.begin(), values.begin() + k, values.end());
  return values[static_cast<std::size_t>(k)];
}

}  // namespace

AreaReading reading_of(const tone::Region& r) {
  const double apart =
      r.mean_distance_mm > 0 ? r.mean_distance_mm : wedge::mean_distance_of_disc(r.area_mm2);
  return {r.now, r.target, r.gap_sd, r.offset_sd, wedge::print_spread_share(r.area_mm2, apart)};
}

PairedErrors paired_errors(double now_sd, double target_sd, double gap_sd) {
  PairedErrors e{now_sd, target_sd, 0};
  const double sum = now_sd + target_sd;
  if (gap_sd > sum) {
    const double share = sum > 0 ? now_sd / sum : 0.5;
    return {share * gap_sd, (1 - share) * gap_sd, -1};
  }
  if (now_sd > 0 && target_sd > 0) {
    const double shared = now_sd * now_sd + target_sd * target_sd - gap_sd * gap_sd;
    e.correlation = std::clamp(shared / (2 * now_sd * target_sd), -1.0, 1.0);
  }
  return e;
}

BiteModel::BiteModel(const wedge::Batch& batch,
                     Ground ground,
                     const TimeFactor& factor,
                     double risk)
    : curve_(batch.curve),
      // Land must stay above nothing: a solid at or below the curve's end would make it infinite.
      solid_(std::max(batch.solid, batch.curve.darkest() + ToneGap::of(0.02))),
      ground_(ground),
      q_(batch.overlap.q),
      factor_(factor.value),
      risk_(risk),
      print_sd_(batch.noise_density),
      end_(batch.curve.useful_until().in_minutes()) {
  assert(factor_ > 0 && std::isfinite(factor_) && q_ > 0);
  assert(risk_ >= 0.01 && risk_ <= 0.5);
  grid_ = fine_grid(curve_.table().minutes, end_);
  const std::size_t points = grid_.size();
  const double lightest = curve_.lightest().value();
  const double range = std::max(1e-9, curve_.darkest().value() - lightest);
  std::vector<double> density(points), sd(points);
  std::vector<std::array<double, bumps>> shape(points);
  for (std::size_t j = 0; j < points; ++j) {
    const auto t = BiteTime::minutes(grid_[j]);
    density[j] = curve_.at(t).value();
    sd[j] = curve_.sd_at(t);
    shape[j] = error_shape((density[j] - lightest) / range);
  }
  constexpr std::size_t dims = 6 + bumps;
  const std::vector<double> z = normal_hypercube(draw_count, dims, draw_seed);
  draws_.resize(draw_count);
  curves_.resize(draw_count * points);
  for (std::size_t i = 0; i < draw_count; ++i) {
    const double* row = &z[i * dims];
    draws_[i] = {row[0],
                 row[1],
                 std::max(0.2, q_ + batch.overlap.sd * row[2]),
                 factor_ * std::exp(factor.ln_sd * row[3]),
                 print_sd_ * row[4 + bumps],
                 rare_error(row[5 + bumps])};
    double highest = -never;
    for (std::size_t j = 0; j < points; ++j) {
      double e = 0;
      for (std::size_t k = 0; k < bumps; ++k) e += shape[j][k] * row[4 + k];
      highest = std::max(highest, density[j] + sd[j] * e);
      curves_[i * points + j] = highest;
    }
  }
}

double BiteModel::draw_inverse(std::size_t i, double density) const {
  const double* c = &curves_[i * grid_.size()];
  const double* past = c + grid_.size();
  if (density <= *c) return 0;
  const double* up = std::lower_bound(c, past, density);
  if (up == past) return never;
  const auto j = static_cast<std::size_t>(up - c);
  const double share = (density - c[j - 1]) / (c[j] - c[j - 1]);
  return grid_[j - 1] + share * (grid_[j] - grid_[j - 1]);
}

double BiteModel::draw_density(std::size_t i, double minutes) const {
  const double* c = &curves_[i * grid_.size()];
  if (minutes >= end_) return c[grid_.size() - 1];
  const auto up = std::upper_bound(grid_.begin(), grid_.end(), std::max(0.0, minutes));
  const auto j = static_cast<std::size_t>(up - grid_.begin());
  const double share = (std::max(0.0, minutes) - grid_[j - 1]) / (grid_[j] - grid_[j - 1]);
  return c[j - 1] + share * (c[j] - c[j - 1]);
}

double BiteModel::draw_time(std::size_t i, double now, double target) const {
  if (target <= now) return 0;
  const Draw& draw = draws_[i];
  if (ground_ == Ground::kept) {
    const double until = draw_inverse(i, target);
    if (until == never) return never;
    return draw.factor * std::max(0.0, until - draw_inverse(i, now));
  }
  const double bare = curves_[i * grid_.size()];
  const double needed = fresh_needed(now, target, bare, solid_.value(), draw.q);
  return needed == never ? never : draw.factor * draw_inverse(i, needed);
}

double BiteModel::draw_reached(std::size_t i, double now, double minutes) const {
  const Draw& draw = draws_[i];
  const double of_wedge = minutes / draw.factor;
  if (ground_ == Ground::kept) {
    const double age = std::min(end_, draw_inverse(i, now));
    return std::max(now, draw_density(i, age + of_wedge));
  }
  const double bare = curves_[i * grid_.size()];
  return fresh_reached(now, draw_density(i, of_wedge), bare, solid_.value(), draw.q);
}

Density BiteModel::reach(Density now) const {
  if (ground_ == Ground::kept) return std::max(now, curve_.darkest());
  return reach_with_further_ground(now);
}

Density BiteModel::reach_with_further_ground(Density over) const {
  return Density::of(fresh_reached(
      over.value(), curve_.darkest().value(), curve_.lightest().value(), solid_.value(), q_));
}

BiteTime BiteModel::longest(Density now) const { return time_to(now, reach(now)); }

BiteTime BiteModel::time_to(Density now, Density target) const {
  target = std::min(target, reach(now));
  if (target <= now) return BiteTime::minutes(0);
  const Density darkest = curve_.darkest();
  if (ground_ == Ground::kept) {
    const auto until = curve_.time_for(std::min(target, darkest));
    const auto age = curve_.time_for(std::min(now, darkest));
    assert(until && age);
    return BiteTime::minutes(factor_ * std::max(0.0, (*until - *age).in_minutes()));
  }
  const double needed =
      fresh_needed(now.value(), target.value(), curve_.lightest().value(), solid_.value(), q_);
  const auto until = curve_.time_for(std::min(Density::of(needed), darkest));
  assert(until);
  return *until * factor_;
}

Density BiteModel::reached(Density now, BiteTime t) const {
  const BiteTime of_wedge = t * (1 / factor_);
  const BiteTime end = BiteTime::minutes(end_);
  if (t.in_minutes() <= 0) return now;
  if (ground_ == Ground::kept) {
    const BiteTime age = *curve_.time_for(std::min(now, curve_.darkest()));
    return std::max(now, curve_.at(std::min(end, age + of_wedge)));
  }
  const Density bitten = curve_.at(std::min(end, of_wedge));
  return Density::of(
      fresh_reached(now.value(), bitten.value(), curve_.lightest().value(), solid_.value(), q_));
}

DensityEstimate BiteModel::reached(const DensityEstimate& now,
                                   BiteTime t,
                                   double print_share) const {
  DensityEstimate after{reached(now.value, t), now.sd};
  if (t.in_minutes() <= 0) return after;
  double sum = 0, squares = 0;
  for (std::size_t i = 0; i < draws_.size(); ++i) {
    const double print = print_share * draws_[i].print;
    const double from = now.value.value() + print + now.sd * draws_[i].now_z;
    // The next print is wiped once more, as this one was on average.
    const double off = draw_reached(i, from, t.in_minutes()) - print - after.value.value();
    sum += off;
    squares += off * off;
  }
  const auto n = static_cast<double>(draws_.size());
  after.sd = std::sqrt(std::max(0.0, squares / n - (sum / n) * (sum / n)));
  return after;
}

DensityEstimate BiteModel::on_bare_metal(BiteTime t) const {
  const BiteTime of_wedge = std::min(t * (1 / factor_), BiteTime::minutes(end_));
  double sum = 0, squares = 0;
  for (std::size_t i = 0; i < draws_.size(); ++i) {
    const double d = draw_density(i, t.in_minutes() / draws_[i].factor);
    sum += d;
    squares += d * d;
  }
  const auto n = static_cast<double>(draws_.size());
  return {curve_.at(of_wedge), std::sqrt(std::max(0.0, squares / n - (sum / n) * (sum / n)))};
}

std::vector<double> BiteModel::draw_times(const AreaReading& area,
                                          double step,
                                          bool hold_unreachable) const {
  const auto without_offset = [&](double sd) {
    return std::sqrt(std::max(0.0, sd * sd - area.offset_sd * area.offset_sd));
  };
  const PairedErrors e =
      paired_errors(area.now.sd, without_offset(area.target.sd), without_offset(area.gap_sd));
  const double own = std::sqrt(std::max(0.0, 1 - e.correlation * e.correlation));
  std::vector<double> times(draws_.size());
  for (std::size_t i = 0; i < draws_.size(); ++i) {
    const Draw& draw = draws_[i];
    const double print = area.print_share * draw.print;
    const double from = area.now.value.value() + print + e.now_sd * draw.now_z;
    const double to = area.target.value.value() + print + area.offset_sd * draw.offset_z +
                      e.target_sd * (e.correlation * draw.now_z + own * draw.gap_z) + step;
    times[i] = draw_time(i, from, to);
    if (times[i] == never && hold_unreachable) {
      const double age = ground_ == Ground::kept ? std::min(end_, draw_inverse(i, from)) : 0.0;
      times[i] = draw.factor * (end_ - age);
    }
  }
  return times;
}

Minutes BiteModel::minutes(const AreaReading& area) const {
  AreaReading held = area;
  held.target.value = std::min(area.target.value, reach(area.now.value));
  const double best = time_to(held.now.value, held.target.value).in_minutes();
  std::vector<double> times = draw_times(held, 0, true);
  const double low = std::min(best, quantile(times, 0.05));
  const double high = std::max(best, quantile(times, 0.95));
  std::vector<double> over = draw_times(held, visible_step(held.target.value).value(), false);
  const double advised = std::min(best, quantile(over, risk_));
  return {BiteTime::minutes(low),
          BiteTime::minutes(best),
          BiteTime::minutes(high),
          BiteTime::minutes(advised)};
}

double BiteModel::overshoot_chance(const AreaReading& area, BiteTime t) const {
  const std::vector<double> over = draw_times(area, visible_step(area.target.value).value(), false);
  const auto too_long =
      std::count_if(over.begin(), over.end(), [&](double o) { return o < t.in_minutes(); });
  return static_cast<double>(too_long) / static_cast<double>(over.size());
}

}  // namespace rebite::plan

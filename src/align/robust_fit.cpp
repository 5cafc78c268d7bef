#include "align/robust_fit.h"

#include <algorithm>
#include <array>
#include <cmath>
#include <map>
#include <mutex>
#include <utility>

namespace rebite::align {
namespace {

constexpr double kSettled = 0.003;  // mean change of a weight: the round was the last
constexpr double kMedianChi2 = 1.3862943611198906;  // of 2 degrees of freedom: 2 ln 2

cv::Matx22d calibrated(const Measured& m, double scale, double floor) {
  if (m.fixed || m.sd_known) return m.covariance;
  return m.covariance * scale + cv::Matx22d::eye() * (floor * floor);
}

// `answer` is that of the same data, in order. Returns the mean change of a weight.
double weigh(std::vector<Measured>& data,
             const SplineFit::Answer& answer,
             const std::vector<double>& scale,
             double floor,
             double width) {
  double change = 0;
  for (std::size_t k = 0; k < data.size(); ++k) {
    Measured& m = data[k];
    const double before = m.weight;
    const cv::Vec2d& e = answer.residual[k];
    const cv::Matx22d c = calibrated(m, scale[static_cast<std::size_t>(m.set)], floor);
    m.misfit = (c.inv() * e).dot(e);
    const double g = 1 / (1 + m.misfit / (width * width));
    m.weight = m.fixed ? 1 : g * g;  // Geman and McClure, Bull. ISI 52-4, 1987
    change += std::abs(m.weight - before);
  }
  return change / static_cast<double>(std::max<std::size_t>(1, data.size()));
}

// Variance factor of each set: residuals against the law, by the median (half may be outliers).
void calibrate(const std::vector<Measured>& data,
               const SplineFit::Answer& answer,
               std::vector<double>& scale,
               double least) {
  std::vector<std::vector<double>> ratio(scale.size());
  for (std::size_t k = 0; k < data.size(); ++k) {
    const Measured& m = data[k];
    if (m.fixed || m.sd_known) continue;
    const cv::Vec2d& e = answer.residual[k];
    // With one direction known the median of chi-square is 0.455 instead of 2 ln 2.
    const double expected = m.directions == 2 ? kMedianChi2 : 0.4549;
    ratio[static_cast<std::size_t>(m.set)].push_back((m.covariance.inv() * e).dot(e) / expected);
  }
  for (std::size_t k = 0; k < scale.size(); ++k) {
    if (ratio[k].size() < 8) continue;
    auto middle = ratio[k].begin() + static_cast<std::ptrdiff_t>(ratio[k].size() / 2);
    std::nth_element(ratio[k].begin(), middle, ratio[k].end());
    scale[k] = std::clamp(*middle, least, 1e6);
  }
}

double evidence(const SplineFit::Answer& a) {
  return 0.5 * (a.log_prior_det - a.log_det - a.chi2 - a.prior_energy);
}

// Coordinate search over factors; weights stay as they are. No prior is tried twice: each costs a
// factorisation.
SmoothnessPrior best_prior(SplineFit& system,
                           const std::vector<FitDatum>& data,
                           SmoothnessPrior start) {
  constexpr double least_bending = 1, most_bending = 1e6, least_sd = 3e-4, most_sd = 0.3;
  constexpr double least_reach = 2.5, most_reach = 80;  // mm
  std::map<std::array<long, 3>, double> known;          // by the logarithms
  const auto key_of = [](const SmoothnessPrior& prior) {
    const auto name = [](double v) { return std::lround(1e6 * std::log(v)); };
    return std::array{name(prior.bending), name(prior.fine_sd), name(prior.reach + 1e-3)};
  };
  std::map<const SplineFit*, bool> taken;  // the data, by the fits that work side by side
  // Works out what is not known yet, two at a time.
  const auto look_at = [&](const std::vector<SmoothnessPrior>& priors) {
    std::vector<SmoothnessPrior> unknown;
    for (const SmoothnessPrior& p : priors)
      if (!known.contains(key_of(p))) unknown.push_back(p);
    std::vector<double> found(unknown.size());
    std::mutex lock;
    system.side_by_side(static_cast<int>(unknown.size()), [&](SplineFit& fit, int k) {
      if (const std::scoped_lock held(lock); !std::exchange(taken[&fit], true)) fit.take(data);
      const auto at = static_cast<std::size_t>(k);
      found[at] = evidence(fit.solve_taken(unknown[at]));
    });
    for (std::size_t k = 0; k < unknown.size(); ++k) known[key_of(unknown[k])] = found[k];
  };
  const auto evidence_of = [&](const SmoothnessPrior& prior) {
    look_at({prior});
    return known.at(key_of(prior));
  };
  double best = evidence_of(start);
  SmoothnessPrior prior = start;
  // Mostly neither a larger nor a smaller value is better: both are looked at together.
  const auto look_around = [&](double SmoothnessPrior::*part, double by, double low, double high) {
    std::vector<SmoothnessPrior> both;
    for (const double factor : {by, 1 / by}) {
      SmoothnessPrior trial = prior;
      trial.*part *= factor;
      if (trial.*part >= low && trial.*part <= high) both.push_back(trial);
    }
    look_at(both);
  };
  const auto improve = [&](double SmoothnessPrior::*part, double factor, double low, double high) {
    for (bool moved = false;; moved = true) {
      SmoothnessPrior trial = prior;
      trial.*part *= factor;
      if (trial.*part < low || trial.*part > high) return moved;
      const double e = evidence_of(trial);
      if (e <= best) return moved;
      best = e;
      prior = trial;
    }
  };
  for (int round = 0; round < 2; ++round) {
    look_around(&SmoothnessPrior::fine_sd, 2, least_sd, most_sd);
    if (!improve(&SmoothnessPrior::fine_sd, 2, least_sd, most_sd))
      improve(&SmoothnessPrior::fine_sd, 0.5, least_sd, most_sd);
    look_around(&SmoothnessPrior::bending, 3, least_bending, most_bending);
    if (!improve(&SmoothnessPrior::bending, 3, least_bending, most_bending))
      improve(&SmoothnessPrior::bending, 1.0 / 3, least_bending, most_bending);
    look_around(&SmoothnessPrior::reach, 2, least_reach, most_reach);
    if (!improve(&SmoothnessPrior::reach, 2, least_reach, most_reach))
      improve(&SmoothnessPrior::reach, 0.5, least_reach, most_reach);
  }
  return prior;
}

// Whether variances differ by so little that a prior known to a factor of two stays.
bool hardly_other(const std::vector<double>& scale, const std::vector<double>& before) {
  for (std::size_t k = 0; k < scale.size(); ++k)
    if (std::abs(std::log(scale[k] / before[k])) > 0.05) return false;
  return true;
}

}  // namespace

std::vector<FitDatum> as_fit_data(const std::vector<Measured>& data,
                                  const std::vector<double>& set_scale,
                                  double floor_mm) {
  std::vector<FitDatum> fit;
  fit.reserve(data.size());
  for (const Measured& m : data) {
    const cv::Matx22d c =
        calibrated(m, set_scale[static_cast<std::size_t>(m.set)], floor_mm) * m.overlap;
    fit.push_back({m.at, m.shift, c.inv(), m.set, m.weight});
  }
  return fit;
}

RobustFit fit_robustly(SplineFit& system,
                       std::vector<Measured>& data,
                       const RobustRule& rule,
                       SplineFit* rough) {
  RobustFit fit;
  fit.prior = rule.prior;
  int sets = 0;
  for (const Measured& m : data) sets = std::max(sets, m.set + 1);
  fit.set_scale = rule.start_scale;
  fit.set_scale.resize(static_cast<std::size_t>(sets), 1.0);
  struct Stage {
    double bending, fine;  // factors on the prior
    double width;          // of the weight function, in sd
    int rounds;
  };
  std::vector<Stage> stages{{100, 0.02, rule.start_width, 4}, {5, 0.3, 5, 4}, {1, 1, 3.5, 4}};
  if (rule.keep_weights)
    stages = {{1, 1, 3.5, rule.kept_rounds}};
  else
    for (Measured& m : data) m.weight = 1;
  for (const Stage& stage : stages)
    for (int round = 0; round < stage.rounds; ++round) {
      const SmoothnessPrior prior{
          fit.prior.bending * stage.bending, fit.prior.fine_sd * stage.fine, fit.prior.reach};
      SplineFit& grid = rough && stage.bending > 1 ? *rough : system;
      fit.answer = grid.solve(as_fit_data(data, fit.set_scale, rule.floor_mm), prior);
      if (!rule.fixed_scale) calibrate(data, fit.answer, fit.set_scale, rule.least_scale);
      const double change = weigh(data, fit.answer, fit.set_scale, rule.floor_mm, stage.width);
      if (change < kSettled) break;
    }
  if (rule.choose_prior)
    for (int round = 0; round < 2; ++round) {
      const SmoothnessPrior before = fit.prior;
      const std::vector<double> scale_before = fit.set_scale;
      fit.prior = best_prior(system, as_fit_data(data, fit.set_scale, rule.floor_mm), fit.prior);
      if (fit.prior.bending == before.bending && fit.prior.fine_sd == before.fine_sd &&
          fit.prior.reach == before.reach)
        break;
      fit.answer = system.solve(as_fit_data(data, fit.set_scale, rule.floor_mm), fit.prior);
      if (!rule.fixed_scale) calibrate(data, fit.answer, fit.set_scale, rule.least_scale);
      weigh(data, fit.answer, fit.set_scale, rule.floor_mm, stages.back().width);
      if (hardly_other(fit.set_scale, scale_before)) break;
    }
  fit.answer = system.solve(as_fit_data(data, fit.set_scale, rule.floor_mm), fit.prior);
  fit.log_evidence = evidence(fit.answer);
  return fit;
}

}  // namespace rebite::align

#include "book/speed.h"

#include <fmt/format.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <cstdio>

#include "plan/conditions.h"

namespace rebite::book {
namespace {

constexpr double per_use = 0.03;
constexpr double run_in = 0.20, run_in_uses = 2;
constexpr double per_day = 0.004, most_days = 0.25;
constexpr double floor_sd = 0.02;
constexpr double bound = 2.5;
// The curve has changed: a bend that is sure (3 sd) and matters (0.15 means 17 % between an area
// bitten e times as long as another), or a bath 1.6 times as slow or fast (common practice has a
// bath changed when its times have doubled; past half of that a factor is a guess).
constexpr double sure = 3, matters = 0.15;
const double far = std::log(1.6);

constexpr double restless_scales[] = {0.1, 0.3, 1, 2};

// To the `use`-th use of the batch, `days` after the one before.
void walk(MixedLevel& level, int use, double days) {
  const double early = run_in * std::exp(-use / run_in_uses);
  const double idle = std::min(most_days, per_day * std::max(0.0, days));
  level.step(per_use * per_use + early * early, idle * idle);
}

// What the states on fresh grounds say of the overlap together with the speed.
struct OverlapSeen {
  double weight = 0, answer = 0, squares = 0;  // sums over the states
  void add(const StateEvidence& e, double sd) {
    const double w = 1 / (sd * sd);
    weight += w;
    answer += w * e.overlap_answer;
    squares += w * (e.overlap_answer * e.overlap_answer + e.overlap_spread * e.overlap_spread);
  }
  double share_in_doubt(double overlap_sd) const {
    if (!(squares > 0)) return 1;
    const double shared = answer / weight, all = squares / weight;
    const double before = shared * shared * overlap_sd * overlap_sd;
    const double left = 1 / (1 + before * weight);  // of the variance that all regions share
    return std::sqrt(std::min(1.0, (all - shared * shared + left * shared * shared) / all));
  }
};

void judge(SpeedHistory& h) {
  if (h.compared == 0) return;
  const double x = std::log(h.speed);
  if (std::fabs(x) > far) {
    h.new_wedge = true;
    h.notes.push_back(fmt::format(
        "The bath now takes {:.2f} times the wedge's minutes: bite a new wedge.", h.speed));
  }
  if (h.slope_sd > 0 && std::fabs(h.slope) > sure * h.slope_sd && std::fabs(h.slope) > matters) {
    h.new_wedge = true;
    h.notes.push_back(fmt::format(
        "Long bites came out {} than short ones against the wedge (slope {:+.2f} +- {:.2f}): the "
        "curve itself has changed, one factor does not mend it. Bite a new wedge.",
        h.slope > 0 ? "slower" : "faster",
        h.slope,
        h.slope_sd));
  }
  if (h.steps.back().unexpected) {
    h.notes.push_back(
        "The last state lies far from what the bath did before: check its temperature, the minutes "
        "written down and the scan. Only a part of the difference was taken over.");
  }
}

}  // namespace

Level::Innovation Level::update(double y, double r, double most) {
  Innovation v{y - mean, variance + r, 1};
  const double z = std::fabs(v.value) / std::sqrt(v.variance);
  if (z > most) v.used = most / z;
  const double gain = variance / v.variance;
  mean += gain * v.value * v.used;
  // A bounded innovation tells less: the variance falls by the same share less.
  variance *= 1 - gain * v.used;
  return v;
}

MixedLevel::MixedLevel(double variance) {
  for (const double scale : restless_scales) all_.push_back({scale, 0, {0, variance}});
}

void MixedLevel::step(double restless, double idle) {
  for (auto& one : all_) one.level.step(one.scale * one.scale * restless + idle);
}

bool MixedLevel::update(double y, double r, double most) {
  const bool expected = std::fabs(y - mean()) <= most * std::sqrt(variance() + r);
  for (auto& one : all_) {
    const auto v = one.level.update(y, r, most);
    const double z = std::fabs(v.value) / std::sqrt(v.variance);
    const double huber = z <= most ? z * z / 2 : most * (z - most / 2);
    one.ln_weight -= 0.5 * std::log(v.variance) + huber;
  }
  return expected;
}

std::vector<double> MixedLevel::weights() const {
  double best = all_.front().ln_weight, sum = 0;
  for (const auto& one : all_) best = std::max(best, one.ln_weight);
  std::vector<double> w;
  for (const auto& one : all_) sum += w.emplace_back(std::exp(one.ln_weight - best));
  for (auto& one : w) one /= sum;
  return w;
}

double MixedLevel::mean() const {
  const auto w = weights();
  double sum = 0;
  for (std::size_t i = 0; i < w.size(); ++i) sum += w[i] * all_[i].level.mean;
  return sum;
}

double MixedLevel::variance() const {
  const auto w = weights();
  const double middle = mean();
  double sum = 0;
  for (std::size_t i = 0; i < w.size(); ++i) {
    const double off = all_[i].level.mean - middle;
    sum += w[i] * (all_[i].level.variance + off * off);
  }
  return sum;
}

double days_between(const std::string& from, const std::string& to) {
  using namespace std::chrono;
  const auto day = [](const std::string& text) -> std::optional<sys_days> {
    int y = 0;
    unsigned m = 0, d = 0;
    if (std::sscanf(text.c_str(), "%d-%u-%u", &y, &m, &d) != 3) return std::nullopt;
    const year_month_day date{year{y}, month{m}, std::chrono::day{d}};
    if (!date.ok()) return std::nullopt;
    return sys_days{date};
  };
  const auto a = day(from), b = day(to);
  return a && b ? static_cast<double>((*b - *a).count()) : 0;
}

SpeedHistory learn(const std::vector<BatchUse>& uses,
                   const wedge::Batch& batch,
                   std::optional<double> volume_l,
                   const std::string& next_date) {
  SpeedHistory h;
  MixedLevel level(wedge_ln_sd * wedge_ln_sd);
  OverlapSeen overlap;
  double copper = 0, slope_weight = 0, slope_sum = 0;
  std::string before = batch.bitten_on;
  int use_number = 0;
  for (const auto& use : uses) {
    SpeedStep s;
    s.plate = use.plate_title, s.date = use.date, s.state = use.state_number;
    s.use = use_number++;
    s.used_speed = use.plan.speed;
    walk(level, s.use, days_between(before, use.date));
    before = use.date;
    s.expected = level.mean(), s.expected_sd = std::sqrt(level.variance());
    const Outcomes outcomes = outcomes_of(use, batch);
    s.temperature_factor = outcomes.mean_factor;
    s.as_planned = outcomes.as_planned;
    s.copper_g = plan::copper_taken_g(outcomes.area_minutes);
    s.copper_sum_g = copper += s.copper_g;
    s.evidence = weigh(
        outcomes.regions, batch, use.plan.kept_ground ? plan::Ground::kept : plan::Ground::fresh);
    if (s.evidence) {
      ++h.compared;
      s.measured_sd = std::hypot(s.evidence->sd, std::hypot(outcomes.temperature_ln_sd, floor_sd));
      s.unexpected = !level.update(s.evidence->ln_speed, s.measured_sd * s.measured_sd, bound);
      if (s.evidence->overlap_answer != 0) overlap.add(*s.evidence, s.measured_sd);
      const double w = 1 / (s.evidence->slope_sd * s.evidence->slope_sd);
      slope_weight += w, slope_sum += w * s.evidence->slope;
    }
    s.after = level.mean(), s.after_sd = std::sqrt(level.variance());
    h.steps.push_back(std::move(s));
  }
  if (slope_weight > 0) {
    h.slope = slope_sum / slope_weight;
    h.slope_sd = std::sqrt(1 / slope_weight);
  }
  if (volume_l && *volume_l > 0 && !h.steps.empty()) h.copper_g_l = copper / *volume_l;
  if (h.compared > 0) {
    walk(level, use_number, days_between(before, next_date));
    h.speed = std::exp(level.mean());
    h.ln_sd = std::sqrt(level.variance());
    h.overlap_share = overlap.share_in_doubt(batch.overlap.sd);
  }
  judge(h);
  return h;
}

}  // namespace rebite::book

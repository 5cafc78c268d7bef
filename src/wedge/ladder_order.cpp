#include "wedge/ladder_order.h"

#include <fmt/format.h>

#include <algorithm>
#include <cassert>
#include <cmath>

#include "wedge/isotonic.h"

namespace rebite::wedge {
namespace {

constexpr double order_sds = 3.5;
// Gain in chi-square by which a falling tail must beat a flat one; the peak was picked as the
// largest of many, so more is asked than of a single comparison.
constexpr double tail_gain = 13;

std::vector<double> densities(const std::vector<WedgeStep>& steps) {
  std::vector<double> y;
  for (const WedgeStep& s : steps) y.push_back(s.density.value());
  return y;
}

std::vector<double> weights(const std::vector<WedgeStep>& steps) {
  std::vector<double> w;
  for (const WedgeStep& s : steps) w.push_back(1 / (s.sd * s.sd));
  return w;
}

template <class T>
std::vector<T> part(const std::vector<T>& v, std::size_t from, std::size_t to) {
  const auto at = [&](std::size_t i) { return v.begin() + static_cast<std::ptrdiff_t>(i); };
  return {at(from), at(to)};
}

double misfit(const std::vector<double>& y,
              const std::vector<double>& fit,
              const std::vector<double>& w) {
  double sum = 0;
  for (std::size_t i = 0; i < y.size(); ++i) sum += w[i] * (y[i] - fit[i]) * (y[i] - fit[i]);
  return sum;
}

std::vector<double> falling(std::vector<double> y, const std::vector<double>& w) {
  for (double& v : y) v = -v;
  std::vector<double> fit = isotonic(y, w);
  for (double& v : fit) v = -v;
  return fit;
}

double half_step(double density) { return 0.5 * visible_step(Density::of(density)).value(); }

// How many steps rise to the peak; all of them when no tail falls.
std::size_t steps_to_peak(const std::vector<double>& y, const std::vector<double>& w) {
  const std::size_t n = y.size();
  const double flat = misfit(y, isotonic(y, w), w);
  std::size_t best = n;
  double best_misfit = flat - tail_gain;
  const std::size_t fewest = std::max<std::size_t>(3, (n + 1) / 2);
  for (std::size_t kept = fewest; kept < n; ++kept) {
    const auto up = part(y, 0, kept);
    const auto down = part(y, kept - 1, n);  // the peak belongs to both
    const auto fit_up = isotonic(up, part(w, 0, kept));
    const auto fit_down = falling(down, part(w, kept - 1, n));
    const double m =
        misfit(up, fit_up, part(w, 0, kept)) + misfit(down, fit_down, part(w, kept - 1, n));
    const double fall = fit_down.front() - fit_down.back();
    if (m < best_misfit && fall > half_step(fit_down.front())) {
      best_misfit = m;
      best = kept;
    }
  }
  return best;
}

}  // namespace

std::string step_text(const WedgeStep& step) {
  return fmt::format("{} (D {:.2f})", clock_text(step.time), step.density.value());
}

Result<LadderOrder> check_order(const std::vector<WedgeStep>& steps) {
  assert(steps.size() >= 3);
  const std::vector<double> y = densities(steps);
  const std::vector<double> w = weights(steps);
  LadderOrder order;
  order.kept = steps_to_peak(y, w);
  for (std::size_t i = 0; i < order.kept; ++i) {
    for (std::size_t j = i + 1; j < order.kept; ++j) {
      const double fall = y[i] - y[j];
      const double noise = std::hypot(steps[i].sd, steps[j].sd);
      if (fall <= order_sds * noise || fall <= half_step(y[i])) continue;
      return refuse(
          ProblemKind::data,
          fmt::format("Steps out of order: the step of {} is lighter than the step of {} by "
                      "{:.3f} D, and the wedge's own noise explains only {:.3f} D.",
                      step_text(steps[j]),
                      step_text(steps[i]),
                      fall,
                      order_sds * noise),
          "Check that the times are in the order of the steps and whether they are totals "
          "(--times) "
          "or dips (--dips); else print and scan the wedge again, best three impressions.");
    }
  }
  order.rising = isotonic(part(y, 0, order.kept), part(w, 0, order.kept));
  for (const auto& [first, last] : pooled_runs(part(y, 0, order.kept), order.rising)) {
    order.notes.push_back(fmt::format(
        "Steps {} to {}: out of order, but within their noise; taken together as D {:.3f}.",
        step_text(steps[first]),
        step_text(steps[last]),
        order.rising[first]));
  }
  if (order.kept < steps.size()) {
    const WedgeStep& peak = steps[order.kept - 1];
    order.notes.push_back(fmt::format(
        "Over-bite: past {} the tone falls again, to {}. No further gain is to be had by biting "
        "longer, so nothing past {} is used or advised.",
        step_text(peak),
        step_text(steps.back()),
        clock_text(peak.time)));
  }
  return order;
}

}  // namespace rebite::wedge

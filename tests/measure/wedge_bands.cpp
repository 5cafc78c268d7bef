// Share of places where the 90 % band holds the truth.
#include <fmt/core.h>

#include <algorithm>
#include <string_view>

#include "tests/measure/wedge.h"
#include "tests/wedge/made_wedge.h"
#include "tests/wedge/step_simulator.h"
#include "tests/wedge/wiped_print.h"
#include "wedge/fit_curve.h"
#include "wedge/make_batch.h"

namespace rebite::wedge::measure_parts {
namespace {

// How often a fitted curve and its inverse hold the truth.
struct Coverage {
  Count curve, inverse;
  int refused = 0, monotone = 0;

  // `truth`: density at minutes. 20 places, evenly at random in the logarithm of time.
  template <class Truth>
  void add(const ToneCurve& c, int seed, Truth truth) {
    if (c.kind() == CurveKind::monotone) ++monotone;
    maker::Chance chance(static_cast<std::uint64_t>(seed) + 777);
    const double end = c.useful_until().in_minutes();
    for (int k = 0; k < 20; ++k) {
      const double t = 0.2 * std::pow(end / 0.2, chance.uniform());
      const double half = ToneCurve::z90 * c.sd_at(BiteTime::minutes(t));
      curve.add(std::fabs(c.at(BiteTime::minutes(t)).value() - truth(t)) <= half, 2 * half);
      const auto i = c.interval_for(Density::of(truth(t)));
      if (!i) continue;
      const double low = std::max(i->low.in_minutes(), 0.01);
      inverse.add(i->low.in_minutes() <= t && t <= i->high.in_minutes(),
                  std::log(std::max(i->high.in_minutes(), low) / low));
    }
  }
  void print(std::string_view row) const {
    fmt::print("| {} | {:.1f} % | {:.3f} | {:.1f} % | {:.2f} | {} | {} |\n",
               row,
               curve.share(),
               curve.mean_width(),
               inverse.share(),
               std::exp(inverse.mean_width()),
               monotone,
               refused);
    std::fflush(stdout);
  }
};

void coverage_head(std::string_view columns, int columns_n) {
  fmt::print(
      "| {} | curve in 90 % band | width D | time in its interval | high/low | monotone | "
      "refused |\n|",
      columns);
  for (int i = 0; i < columns_n + 6; ++i) fmt::print("---|");
  fmt::print("\n");
}

}  // namespace

void bands(int seeds) {
  coverage_head("steps | noise", 2);
  const std::pair<SimulatedNoise, const char*> kinds[] = {
      {SimulatedNoise::known, "known"},
      {SimulatedNoise::estimated, "from the scatter"},
      {SimulatedNoise::smooth, "smooth wiping"}};
  for (const auto& [noise, word] : kinds) {
    for (const int n : {3, 4, 5, 7, 9, 15, 25}) {
      Coverage c;
      for (int seed = 1; seed <= seeds; ++seed) {
        const SimulatedWedge w = simulate_steps(static_cast<std::uint64_t>(seed), n, noise);
        const auto fitted = fit_curve(w.steps);
        if (!fitted) {
          ++c.refused;
          continue;
        }
        c.add(fitted->curve, seed, [&](double t) { return w.truth.at(t); });
      }
      c.print(fmt::format("{} | {}", n, word));
    }
  }
}

namespace {

// How the spread of one print is known to whoever reads the wedge.
struct WipingCase {
  std::string_view name;
  bool drawn = false;  // wiping drawn from 0.005-0.035 D, else 0.02 D as is assumed
  bool known = false;  // the fit is told the sd as certain
};

Result<ToneCurve> curve_of(const std::vector<std::vector<FoundStep>>& found,
                           const std::vector<BiteTime>& times,
                           bool known) {
  if (!known) {
    auto batch = make_batch(found, times, {});
    if (!batch) return std::unexpected(batch.error());
    return batch->curve;
  }
  const auto placed = placed_steps_in_time(found, times);
  if (!placed) return std::unexpected(placed.error());
  FitOptions options;
  options.places_mm = placed->places_mm;
  auto fitted = fit_curve(placed->steps, options);
  if (!fitted) return std::unexpected(fitted.error());
  return fitted->curve;
}

}  // namespace

void wiped(int seeds, int first) {
  coverage_head("wiping | impressions | steps", 3);
  for (const WipingCase& how : {WipingCase{"0.02, told as certain", false, true},
                                WipingCase{"0.02"},
                                WipingCase{"0.005-0.035", true}}) {
    for (const int impressions : {1, 2, 3}) {
      if (how.known && impressions > 1) continue;
      for (const int n : {5, 9, 15, 25}) {
        Coverage c;
        for (int seed = first; seed < first + seeds; ++seed) {
          maker::Chance chance(static_cast<std::uint64_t>(seed) * 31 + 5);
          maker::WedgeSpec spec;
          spec.minutes = simulated_ladder(n, chance);
          spec.step = {n > 9 ? 9.0 : 12.0, 18};
          spec.curve = random_bath(chance);
          const double wiping = how.drawn ? chance.uniform(0.005, 0.035) : 0.02;
          std::vector<std::vector<FoundStep>> found;
          for (int k = 0; k < impressions; ++k) {
            maker::Impression sheet = print_number(seed, k);
            sheet.wiping_density = wiping;
            found.push_back(wiped_steps(spec, sheet));
          }
          const auto curve = curve_of(found, minutes_list(spec.minutes), how.known);
          if (!curve) {
            ++c.refused;
            continue;
          }
          c.add(*curve, seed, [&](double t) { return spec.curve.density(t); });
        }
        c.print(fmt::format("{} | {} | {}", how.name, impressions, n));
      }
    }
  }
}

// From the print to the fitted curve, as the program does it; the first prints of three stand for
// one and two impressions.
void printed(int seeds, int first) {
  coverage_head("steps | impressions | wedges", 3);
  for (const int n : {5, 9, 15}) {
    Coverage by_impressions[3];
    for (int seed = first; seed < first + seeds; ++seed) {
      maker::Chance chance(static_cast<std::uint64_t>(seed) * 31 + 5);
      maker::WedgeSpec spec;
      spec.minutes = simulated_ladder(n, chance);
      spec.step = {n > 9 ? 9.0 : 12.0, 18};
      spec.border_mm = 5;
      spec.curve = random_bath(chance);
      spec.ground_seed = static_cast<std::uint64_t>(seed);
      std::vector<std::vector<FoundStep>> found;
      for (int k = 0; k < 3; ++k) {
        const auto image =
            through_a_file(maker::print_wedge(spec, print_number(seed, k), a_scanner(seed, 120)));
        FindOptions options;
        options.steps = n;
        options.unbitten = true;
        const auto steps = find_steps(image, options);
        if (steps) found.push_back(*steps);
        Coverage& c = by_impressions[k];
        const Result<Batch> batch = static_cast<int>(found.size()) == k + 1
                                        ? make_batch(found, minutes_list(spec.minutes), {})
                                        : refuse(ProblemKind::data, "not found", "");
        if (!batch) {
          ++c.refused;
          continue;
        }
        c.add(batch->curve, seed, [&](double t) { return spec.curve.density(t); });
      }
    }
    for (int k = 0; k < 3; ++k) {
      by_impressions[k].print(fmt::format("{} | {} | {}", n, k + 1, seeds));
    }
  }
}

}  // namespace rebite::wedge::measure_parts

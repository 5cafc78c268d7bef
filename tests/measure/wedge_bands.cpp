// Share of places where the 90 % band holds the truth.
#include <fmt/core.h>

#include <algorithm>
#include <string_view>

#include "tests/measure/wedge.h"
#include "tests/wedge/made_wedge.h"
#include "tests/wedge/step_simulator.h"
#include "tests/wedge/wiped_print.h"
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

void wiped(int seeds, int first) {
  coverage_head("wiping | impressions | steps", 3);
  for (const bool drawn : {false, true}) {
    for (const int impressions : {1, 2, 3}) {
      for (const int n : {5, 9, 15, 25}) {
        Coverage c;
        for (int seed = first; seed < first + seeds; ++seed) {
          maker::Chance chance(static_cast<std::uint64_t>(seed) * 31 + 5);
          maker::WedgeSpec spec;
          spec.minutes = simulated_ladder(n, chance);
          spec.step = {n > 9 ? 9.0 : 12.0, 18};
          spec.curve = random_bath(chance);
          const double wiping = drawn ? chance.uniform(0.005, 0.035) : 0.02;
          std::vector<std::vector<FoundStep>> found;
          for (int k = 0; k < impressions; ++k) {
            maker::Impression sheet = print_number(seed, k);
            sheet.wiping_density = wiping;
            found.push_back(wiped_steps(spec, sheet));
          }
          const auto batch = make_batch(found, minutes_list(spec.minutes), {});
          if (!batch) {
            ++c.refused;
            continue;
          }
          c.add(batch->curve, seed, [&](double t) { return spec.curve.density(t); });
        }
        c.print(fmt::format("{} | {} | {}", drawn ? "0.005-0.035" : "0.02", impressions, n));
      }
    }
  }
}

// From the print to the fitted curve, as the program does it.
void printed(int seeds, int first) {
  coverage_head("steps | impressions | wedges", 3);
  for (const int impressions : {1, 3}) {
    for (const int n : {5, 9, 15}) {
      Coverage c;
      for (int seed = first; seed < first + seeds; ++seed) {
        maker::Chance chance(static_cast<std::uint64_t>(seed) * 31 + 5);
        maker::WedgeSpec spec;
        spec.minutes = simulated_ladder(n, chance);
        spec.step = {n > 9 ? 9.0 : 12.0, 18};
        spec.border_mm = 5;
        spec.curve = random_bath(chance);
        spec.ground_seed = static_cast<std::uint64_t>(seed);
        std::vector<std::vector<FoundStep>> found;
        for (int k = 0; k < impressions; ++k) {
          const auto image =
              through_a_file(maker::print_wedge(spec, print_number(seed, k), a_scanner(seed, 120)));
          FindOptions options;
          options.steps = n;
          options.unbitten = true;
          const auto steps = find_steps(image, options);
          if (steps) found.push_back(*steps);
        }
        if (static_cast<int>(found.size()) < impressions) {
          ++c.refused;
          continue;
        }
        const auto batch = make_batch(found, minutes_list(spec.minutes), {});
        if (!batch) {
          ++c.refused;
          continue;
        }
        c.add(batch->curve, seed, [&](double t) { return spec.curve.density(t); });
      }
      c.print(fmt::format("{} | {} | {}", n, impressions, seeds));
    }
  }
}

}  // namespace rebite::wedge::measure_parts

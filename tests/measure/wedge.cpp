// The wedge room's figures: coverage of the bands over 200 seeds, densities of found steps over
// resolutions. Run by hand: ninja measure_wedge && build/.../measure_wedge [coverage|steps]
#include <fmt/core.h>

#include <cstring>

#include "tests/wedge/step_simulator.h"

namespace rebite::wedge {
namespace {

struct Count {
  int inside = 0, all = 0;
  double width = 0;
  void add(bool in, double w) {
    inside += in;
    ++all;
    width += w;
  }
  double share() const { return all ? 100.0 * inside / all : 0; }
};

struct Coverage {
  Count curve, inverse;
  int refused = 0, monotone = 0, wedges = 0;
};

Coverage coverage(int n, SimulatedNoise noise, int seeds) {
  Coverage c;
  for (int seed = 1; seed <= seeds; ++seed) {
    const SimulatedWedge w = simulate_steps(static_cast<std::uint64_t>(seed), n, noise);
    const auto fitted = fit_curve(w.steps);
    ++c.wedges;
    if (!fitted) {
      ++c.refused;
      continue;
    }
    if (fitted->summary.kind == CurveKind::monotone) ++c.monotone;
    const ToneCurve& curve = fitted->curve;
    maker::Chance chance(static_cast<std::uint64_t>(seed) + 777);
    const double end = curve.useful_until().in_minutes();
    for (int k = 0; k < 20; ++k) {
      const double t = 0.2 * std::pow(end / 0.2, chance.uniform());
      const double half = ToneCurve::z90 * curve.sd_at(BiteTime::minutes(t));
      c.curve.add(std::fabs(curve.at(BiteTime::minutes(t)).value() - w.truth.at(t)) <= half,
                  2 * half);
      const double d = w.truth.at(t);
      const auto i = curve.interval_for(Density::of(d));
      if (!i) continue;
      c.inverse.add(i->low.in_minutes() <= t && t <= i->high.in_minutes(),
                    std::log(i->high.in_minutes() / std::max(i->low.in_minutes(), 0.01)));
    }
  }
  return c;
}

void coverage_table() {
  fmt::print("| steps | noise | curve in 90 % band | mean width D | time in its interval | mean "
             "ratio high/low | monotone | refused |\n|---|---|---|---|---|---|---|---|\n");
  const std::pair<SimulatedNoise, const char*> kinds[] = {
      {SimulatedNoise::known, "known"},
      {SimulatedNoise::estimated, "from the scatter"},
      {SimulatedNoise::smooth, "smooth wiping"}};
  for (const auto& [noise, word] : kinds) {
    for (const int n : {3, 4, 5, 7, 9, 15, 25}) {
      const Coverage c = coverage(n, noise, 200);
      fmt::print("| {} | {} | {:.1f} % | {:.3f} | {:.1f} % | {:.2f} | {} | {} |\n", n, word,
                 c.curve.share(), c.curve.width / c.curve.all, c.inverse.share(),
                 std::exp(c.inverse.width / c.inverse.all), c.monotone, c.refused);
    }
  }
}

}  // namespace
}  // namespace rebite::wedge

int main(int, char**) {
  rebite::wedge::coverage_table();
  return 0;
}

// Accuracy of the planned minutes over simulated plates: prints markdown tables.
// Usage: measure_plan [SEEDS]   (default 400)
#include <fmt/format.h>

#include <algorithm>
#include <cstdlib>
#include <limits>

#include "plan/minutes.h"
#include "plan/stages.h"
#include "tests/plan/simulate.h"

using namespace rebite;
using namespace rebite::plan;

namespace {

void row(const char* name, const SimulationKind& kind, int seeds, double risk) {
  MinutesScore s;
  for (int seed = 1; seed <= seeds; ++seed) {
    auto plate = simulate(static_cast<std::uint64_t>(seed) * 7919, kind);
    if (!plate) continue;
    plate->options.risk = risk;
    const auto plan = plan_bites(plate->seen(), &plate->batch, plate->options);
    if (plan) s.add(*plate, *plan);
  }
  fmt::print(
      "| {} | {:.0f} % | {} | {:.3f} | {:.1f} % | {:.1f} % | {:.2f} | {:.1f} | {:.1f} % | {:.0f} % "
      "|\n",
      name,
      100 * risk,
      s.bites,
      s.rms_log2(),
      100 * s.coverage(),
      100 * s.overshoot(),
      s.advised_share / s.bites,
      static_cast<double>(s.stages) / s.plans,
      100.0 * s.stage_overshot / s.staged,
      100 * s.gap_reached / s.gap_before);
}

std::vector<StageArea> areas_of(const SimulatedPlate& plate, const BiteModel& model) {
  std::vector<StageArea> areas;
  for (const SimulatedRegion& r : plate.regions) {
    const Density now = r.seen.now.value;
    const BiteTime t = model.minutes(plan::reading_of(r.seen)).advised;
    areas.push_back({r.seen.area_mm2, t, model.reached(now, t), [&model, now](BiteTime m) {
                       return model.reached(now, m);
                     }});
  }
  return areas;
}

// The least loss of two totals out of a fine grid of any times.
double best_of_any_times(const std::vector<StageArea>& areas, double weight) {
  double all = 0;
  for (const StageArea& a : areas) all += a.area_mm2;
  std::vector<std::vector<double>> loss;
  for (double seconds = 0; seconds < 1800; seconds = seconds < 5 ? 5 : seconds * 1.03) {
    loss.emplace_back();
    for (const StageArea& a : areas) {
      const double d = (a.reached(BiteTime::seconds(seconds)) - a.wanted_tone).value();
      loss.back().push_back(a.area_mm2 / all * (d > 0 ? weight * d : -d));
    }
  }
  double least = std::numeric_limits<double>::infinity();
  for (std::size_t i = 1; i < loss.size(); ++i) {
    for (std::size_t j = i; j < loss.size(); ++j) {
      double sum = 0;
      for (std::size_t a = 0; a < areas.size(); ++a) {
        sum += std::min({loss[0][a], loss[i][a], loss[j][a]});
      }
      least = std::min(least, sum);
    }
  }
  return least;
}

// Totals are taken from the areas' own times. What would any times gain?
void own_times_against_any(int seeds) {
  double own = 0, any = 0;
  int cases = 0;
  for (int seed = 1; seed <= seeds; ++seed) {
    const auto plate = simulate(static_cast<std::uint64_t>(seed) * 31337, {});
    if (!plate || plate->regions.size() < 3) continue;
    const BiteModel model(plate->batch, plate->ground, {}, 0.2);
    const auto areas = areas_of(*plate, model);
    StageOptions options;
    options.stages = 2;
    const double found = choose_stages(areas, options).loss;
    own += found;
    any += std::min(found, best_of_any_times(areas, options.overshoot_weight));
    ++cases;
  }
  fmt::print(
      "\nTwo stages on {} plates: loss with the areas' own times {:.4f} D, with any times {:.4f} D "
      "(means)\n",
      cases,
      own / cases,
      any / cases);
}

}  // namespace

int main(int argc, char** argv) {
  const int seeds = argc > 1 ? std::atoi(argv[1]) : 400;
  fmt::print(
      "| case | risk | bites | minutes rms log2 | 90 % interval covers | advised overshoots | "
      "advised / truth | stages | stage totals overshoot | gap left |\n"
      "|---|---|---|---|---|---|---|---|---|---|\n");
  const SimulationKind kept{.ground = Ground::kept};
  const SimulationKind fresh{.ground = Ground::fresh};
  SimulationKind overlap = fresh, warm = {}, learned = {}, all = {}, coarse = {};
  overlap.overlap_uncertain = true;
  warm.temperature = true;
  learned.speed = true;
  all.overlap_uncertain = all.temperature = all.speed = true;
  coarse.read_sd_low = 0.02;
  coarse.read_sd_high = 0.035;
  row("kept", kept, seeds, 0.2);
  row("fresh, overlap exactly as the rule", fresh, seeds, 0.2);
  row("kept and fresh mixed", {}, seeds, 0.2);
  row("fresh, overlap off by its own sd", overlap, seeds, 0.2);
  row("bath up to 6 C off, both grounds", warm, seeds, 0.2);
  row("learned speed, both grounds", learned, seeds, 0.2);
  row("coarse readings (0.02 to 0.035 D)", coarse, seeds, 0.2);
  row("all of it", all, seeds, 0.2);
  row("all of it", all, seeds, 0.1);
  row("all of it", all, seeds, 0.05);
  row("all of it", all, seeds, 0.4);
  own_times_against_any(std::min(seeds, 100));
}

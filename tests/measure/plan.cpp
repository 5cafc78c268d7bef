// Accuracy of the planned minutes over simulated plates: prints a markdown table.
// Usage: measure_plan [SEEDS]   (default 400)
#include <fmt/format.h>

#include <cstdlib>

#include "tests/plan/simulate.h"

using namespace rebite;
using namespace rebite::plan;

namespace {

void row(const char* name, const SimulationKind& kind, int seeds, double risk) {
  MinutesScore score;
  for (int s = 1; s <= seeds; ++s) {
    auto plate = simulate(static_cast<std::uint64_t>(s) * 7919, kind);
    if (!plate) continue;
    plate->options.risk = risk;
    const auto plan = plan_bites(plate->seen(), &plate->batch, plate->options);
    if (plan) score.add(*plate, *plan);
  }
  fmt::print("| {} | {:.0f} % | {} | {:.3f} | {:.1f} % | {:.1f} % | {:.2f} | {} | {} |\n",
             name,
             100 * risk,
             score.bites,
             score.rms_log2(),
             100 * score.coverage(),
             100 * score.overshoot(),
             score.advised_share / score.bites,
             score.beyond,
             score.held);
}

}  // namespace

int main(int argc, char** argv) {
  const int seeds = argc > 1 ? std::atoi(argv[1]) : 400;
  fmt::print(
      "| case | risk | bites | minutes rms log2 | 90 % interval covers | advised overshoots | "
      "advised / truth | beyond | held |\n|---|---|---|---|---|---|---|---|---|\n");
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
  row("fresh, overlap off by its own sd", overlap, seeds, 0.2);
  row("bath up to 6 C off, both grounds", warm, seeds, 0.2);
  row("learned speed, both grounds", learned, seeds, 0.2);
  row("coarse readings (0.02 to 0.035 D)", coarse, seeds, 0.2);
  row("all of it", all, seeds, 0.2);
  row("all of it", all, seeds, 0.1);
  row("all of it", all, seeds, 0.05);
  row("all of it", all, seeds, 0.4);
}

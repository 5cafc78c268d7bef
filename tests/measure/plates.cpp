// Plans from rendered plates, end to end but for the alignment (which has a table of its own):
// measure_plates [SEEDS] [FIRST] [each]. Prints a markdown table over plates of three kinds in
// turn: kept ground; fresh ground by the assumed overlap; fresh ground by a crossed wedge.
//
// The population: scenes, bites, wiping, grain and misplacement as the plate maker and made_pair.h
// have them; steps of the wedge read to 0.012 D (three impressions); overlap of fresh grounds
// spread about the rule as OverlapRule::sd says (1 +- 0.15), or, where a crossed wedge measures it,
// anywhere from 0.7 to 1.3; its 4 x 5 cells read to 0.015 D.
#include <fmt/format.h>

#include <array>
#include <cmath>
#include <cstdlib>
#include <map>
#include <string_view>

#include "tests/plan/simulate.h"
#include "tests/tone/made_pair.h"
#include "tone/region_map.h"
#include "wedge/crossed_wedge.h"

using namespace rebite;

namespace {

enum Kind { kept, by_rule, by_crossed_wedge };
constexpr std::array<const char*, 3> names = {"kept", "fresh, by the rule", "fresh, crossed wedge"};

// What a region truly is: means of the truth in reflectance over its core, as it is measured
// (rework is painted with soft edges; half a millimetre of them is nobody's tone).
struct Truth {
  double now = 0, target = 0;
};

std::map<int, Truth> truths(const maker::Scene& scene, const tone::RegionMap& map) {
  struct Sum {
    double n = 0, now = 0, target = 0;
  };
  std::map<int, Sum> sums;
  constexpr double core_mm = 0.7;
  const int inset = static_cast<int>(std::lround(core_mm * map.grid.px_per_mm));
  const auto in_core = [&](int y, int x) {
    const cv::Mat1w& l = map.labels;
    for (const auto& [dy, dx] : {std::pair{-1, 0}, {1, 0}, {0, -1}, {0, 1}}) {
      const int v = y + dy * inset, u = x + dx * inset;
      if (v < 0 || u < 0 || v >= l.rows || u >= l.cols || l(v, u) != l(y, x)) return false;
    }
    return true;
  };
  const double s = map.grid.px_per_mm / scene.px_per_mm;
  for (int r = 0; r < scene.labels.rows; ++r) {
    for (int c = 0; c < scene.labels.cols; ++c) {
      const int y = std::min(static_cast<int>((r + 0.5) * s), map.labels.rows - 1);
      const int x = std::min(static_cast<int>((c + 0.5) * s), map.labels.cols - 1);
      const int id = map.labels(y, x);
      if (id == 0 || scene.strokes(r, c) || !in_core(y, x)) continue;
      Sum& sum = sums[id];
      sum.n += 1;
      sum.now += std::pow(10.0, -static_cast<double>(scene.printed_density(r, c)));
      sum.target += std::pow(10.0, -static_cast<double>(scene.wanted_density(r, c)));
    }
  }
  std::map<int, Truth> out;
  for (const auto& [id, sum] : sums) {
    out[id] = {-std::log10(sum.now / sum.n), -std::log10(sum.target / sum.n)};
  }
  return out;
}

Result<wedge::Batch> read_batch(const maker::TrueCurve& curve, maker::Chance& chance) {
  constexpr double sd = 0.012;
  auto fit = wedge::fit_curve(plan::read_steps(curve, chance, sd, sd));
  if (!fit) return std::unexpected(fit.error());
  wedge::Batch batch = plan::batch_of(fit->curve, curve.solid + 0.01 * chance.normal());
  batch.noise_density = 0.02;  // the plate maker's wiping, as three impressions would show it
  return batch;
}

Result<wedge::OverlapRule> crossed(const plan::SimulatedPlate& plate, maker::Chance& chance) {
  constexpr double sd = 0.015;
  wedge::CrossedGrid grid;
  for (const double m : {0.0, 1.0, 4.0, 10.0}) grid.first.push_back(BiteTime::minutes(m));
  for (const double m : {0.0, 0.5, 1.0, 3.0, 8.0}) grid.second.push_back(BiteTime::minutes(m));
  for (const BiteTime first : grid.first) {
    grid.density.emplace_back();
    for (const BiteTime second : grid.second) {
      const double d = plate.reached(plate.curve.density(first.in_minutes()), second.in_minutes());
      grid.density.back().push_back({Density::of(d + sd * chance.normal()), sd});
    }
  }
  return wedge::fit_overlap(grid, plate.batch.curve, plate.batch.solid);
}

struct Totals {
  plan::MinutesScore small, large;  // from 30 mm2, from 100 mm2
  plan::MinutesScore exact;         // as large, were the overlap exactly the rule
  int needless = 0;  // bites above 100 mm2 where the truth asks for less than a visible step
  int refused = 0;
};

// The truth of every region of that size, as `plate` has it. Where it asks for less than a visible
// step, the action is wrong and no minutes are right: those are counted by themselves.
void add_truth(const tone::RegionMap& map,
               const std::map<int, Truth>& truth,
               double least_mm2,
               plan::SimulatedPlate& plate) {
  plate.regions.clear();
  for (const tone::Region& r : map.regions) {
    const auto t = truth.find(r.id);
    if (r.area_mm2 < least_mm2 || t == truth.end()) continue;
    const double step = visible_step(Density::of(t->second.target)).value();
    if (t->second.target - t->second.now < step) continue;
    const double minutes = plate.true_minutes(t->second.now, t->second.target);
    // Beyond the truth's own reach or not darker at all: actions, not minutes, are wrong there.
    if (!(minutes > 0) || minutes > plate.batch.curve.useful_until().in_minutes()) continue;
    plate.regions.push_back({r, t->second.now, t->second.target, minutes});
  }
}

int needless_bites(const plan::BitePlan& plan, const std::map<int, Truth>& truth) {
  int n = 0;
  for (const plan::PlannedRegion& p : plan.regions) {
    const auto t = truth.find(p.region.id);
    if (p.action != plan::Action::bite || p.region.area_mm2 < 100 || t == truth.end()) continue;
    const double step = visible_step(Density::of(t->second.target)).value();
    n += t->second.target - t->second.now < step ? 1 : 0;
  }
  return n;
}

// Mean error of the gap over what was left alone.
double untouched_error(const maker::Scene& scene, const tone::RegionMap& map) {
  double sum = 0, n = 0;
  const double s = map.grid.px_per_mm / scene.px_per_mm;
  for (int r = 8; r < scene.labels.rows - 8; ++r) {
    for (int c = 8; c < scene.labels.cols - 8; ++c) {
      const float gap = map.gap(static_cast<int>((r + 0.5) * s), static_cast<int>((c + 0.5) * s));
      const float truth = scene.wanted_density(r, c) - scene.printed_density(r, c);
      if (!std::isfinite(gap) || scene.strokes(r, c) || std::abs(truth) > 0.01F) continue;
      sum += static_cast<double>(gap - truth);
      n += 1;
    }
  }
  return n > 0 ? sum / n : 0;
}

// One line for every bite: what was told and what is true.
void print_each(std::uint64_t seed,
                const maker::Scene& scene,
                const tone::RegionMap& map,
                const plan::SimulatedPlate& plate,
                const plan::BitePlan& plan) {
  fmt::print(stderr,
             "plate {} untouched {:+.4f} fitted {:.2f}\n",
             seed,
             untouched_error(scene, map),
             map.inking.fitted_share);
  for (const plan::PlannedRegion& p : plan.regions) {
    const plan::SimulatedRegion* t = plate.truth(p.region.id);
    if (p.action != plan::Action::bite || !t) continue;
    const tone::Region& r = p.region;
    fmt::print(stderr,
               "bite {} {} area {:.0f} now {:.4f} {:.4f} {:.4f} target {:.4f} {:.4f} {:.4f} gap_sd "
               "{:.4f} minutes {:.3f} {:.3f} {:.3f} {:.3f} true {:.3f} noise {:.4f} fitted {:.2f} "
               "q {:.3f}\n",
               seed,
               r.id,
               r.area_mm2,
               r.now.value.value(),
               t->now,
               r.now.sd,
               r.target.value.value(),
               t->target,
               r.target.sd,
               r.gap_sd,
               p.minutes->low.in_minutes(),
               p.minutes->advised.in_minutes(),
               p.minutes->best.in_minutes(),
               p.minutes->high.in_minutes(),
               t->minutes,
               map.inking.noise_density,
               map.inking.fitted_share,
               plate.q);
  }
}

void add(std::uint64_t seed, Kind kind, bool each, Totals& totals) {
  const maker::Scene scene = maker::make_scene(seed);
  const auto map = tone::find_regions(maker::made_pair(scene, seed), {});
  maker::Chance chance(seed * 7919 + 5);
  plan::SimulatedPlate plate;
  plate.curve = scene.plate.curve;
  plate.ground = kind == kept ? plan::Ground::kept : plan::Ground::fresh;
  auto batch = read_batch(plate.curve, chance);
  if (!map || !batch) {
    ++totals.refused;
    return;
  }
  plate.batch = std::move(*batch);
  if (kind == by_rule) plate.q = std::max(0.3, 1 + plate.batch.overlap.sd * chance.normal());
  if (kind == by_crossed_wedge) {
    plate.q = chance.uniform(0.7, 1.3);
    const auto rule = crossed(plate, chance);
    if (!rule) {
      ++totals.refused;
      return;
    }
    plate.batch.overlap = *rule;
  }
  plate.options.ground = plate.ground;
  plate.options.plate_area_mm2 = 150 * 110;
  const auto plan = plan::plan_bites(map->regions, &plate.batch, plate.options);
  if (!plan) {
    ++totals.refused;
    return;
  }
  const auto truth = truths(scene, *map);
  totals.needless += needless_bites(*plan, truth);
  add_truth(*map, truth, 30, plate);
  totals.small.add(plate, *plan);
  add_truth(*map, truth, 100, plate);
  totals.large.add(plate, *plan);
  if (each) print_each(seed, scene, *map, plate, *plan);
  if (kind == by_rule) plate.q = 1;
  add_truth(*map, truth, 100, plate);
  totals.exact.add(plate, *plan);
}

void row(const char* name, const char* size, const plan::MinutesScore& s) {
  if (s.bites == 0) return;
  fmt::print("| {} | {} | {} | {:.3f} | {:.1f} % | {:.1f} % | {:.2f} |\n",
             name,
             size,
             s.bites,
             s.rms_log2(),
             100 * s.coverage(),
             100 * s.overshoot(),
             s.advised_share / s.bites);
}

void join(plan::MinutesScore& to, const plan::MinutesScore& s) {
  to.bites += s.bites;
  to.covered += s.covered;
  to.overshot += s.overshot;
  to.squares += s.squares;
  to.advised_share += s.advised_share;
}

}  // namespace

int main(int argc, char** argv) {
  const int seeds = argc > 1 ? std::atoi(argv[1]) : 100;
  const int first = argc > 2 ? std::atoi(argv[2]) : 1;
  const bool each = argc > 3 && std::string_view(argv[3]) == "each";
  std::array<Totals, 3> totals;
  for (int seed = first; seed < first + seeds; ++seed) {
    const auto kind = static_cast<Kind>(seed % 3);
    add(static_cast<std::uint64_t>(seed), kind, each, totals[kind]);
    fmt::print(stderr, "seed {} done\n", seed);
  }
  fmt::print(
      "| {} plates | areas | bites | minutes rms log2 | 90 % interval covers | advised overshoots "
      "(risk 20 %) | advised / truth |\n|---|---|---|---|---|---|---|\n",
      seeds);
  plan::MinutesScore small, large, exact;
  for (const Kind k : {kept, by_rule, by_crossed_wedge}) {
    row(names[k], "> 100 mm2", totals[k].large);
    join(small, totals[k].small);
    join(large, totals[k].large);
    join(exact, totals[k].exact);
  }
  row("all", "> 100 mm2", large);
  row("all", "> 30 mm2", small);
  row("fresh, overlap exactly the rule", "> 100 mm2", totals[by_rule].exact);
  row("all, overlap exactly the rule", "> 100 mm2", exact);
  fmt::print("\nNeedless bites above 100 mm2: {}\n",
             totals[kept].needless + totals[by_rule].needless + totals[by_crossed_wedge].needless);
  fmt::print("Refused: {}\n",
             totals[kept].refused + totals[by_rule].refused + totals[by_crossed_wedge].refused);
}

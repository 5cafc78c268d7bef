// Simulated batches whose true speed drifts: a fast run-in, a plateau, a slow decline, warm and
// cold days. The truth is the plate maker's own arithmetic (tests/support/true_curve.cpp); the
// wedge is read with noise and fitted by the wedge room; each state is bitten by its own plan's
// stages, its proof is read with noise of its own wiping and grain, and the next plan uses the
// learned speed.
//
// The population is that of the plan's interval (plan/minutes.h): overlap of fresh grounds spread
// about the rule as OverlapRule::sd says. Overlap::exact has it exactly as the rule, where the
// interval of fresh grounds is wider than it would need to be.
#pragma once

#include <cmath>

#include "book/speed.h"
#include "tests/plan/simulate.h"

namespace rebite::book {

enum class Overlap { strays, exact };

struct DriftScore {
  int batches = 0, bites = 0, covered = 0;
  int kept_bites = 0, kept_covered = 0;  // of those, on kept ground
  double squares_with = 0, squares_without = 0;
  double rms_with() const { return std::sqrt(squares_with / bites); }
  double rms_without() const { return std::sqrt(squares_without / bites); }
  double coverage() const { return static_cast<double>(covered) / bites; }
  double kept_coverage() const { return static_cast<double>(kept_covered) / kept_bites; }
  double fresh_coverage() const {
    return static_cast<double>(covered - kept_covered) / (bites - kept_bites);
  }
  void add(const DriftScore& s) {
    batches += s.batches, bites += s.bites, covered += s.covered;
    kept_bites += s.kept_bites, kept_covered += s.kept_covered;
    squares_with += s.squares_with, squares_without += s.squares_without;
  }
};

// True log speed at the k-th plate of a batch.
struct Drift {
  double run_in = 0, run_in_plates = 2, per_plate = 0;
  double at(double plates) const {
    return run_in * (1 - std::exp(-plates / run_in_plates)) + per_plate * plates;
  }
};

// Fresh regions of one state in a bath of a given true factor on time.
inline void draw_regions(plan::SimulatedPlate& plate, maker::Chance& chance, int count) {
  plate.regions.clear();
  const auto& c = plate.curve;
  const double calibration = 0.006 * chance.normal();
  for (int i = 0; i < count; ++i) {
    plan::SimulatedRegion r;
    const bool hold = i % 4 == 3;  // a quarter of the areas is right as it is
    r.now = chance.uniform() < 0.2 ? c.d0 : chance.uniform(c.d0, 0.8);
    r.target = hold ? r.now : r.now + chance.uniform(0.1, 0.6);
    r.minutes = hold ? 0 : plate.true_minutes(r.now, r.target);
    if (!std::isfinite(r.minutes) || r.minutes > 25 * plate.factor) continue;
    plan::read_region(r, i + 1, calibration, 0.008, 0.02, chance);
    plate.regions.push_back(r);
  }
}

// The plan's stages bitten in the true bath, the proof read: what the book keeps of it.
inline BatchUse bitten(const plan::SimulatedPlate& plate,
                       const plan::BitePlan& plan,
                       double celsius,
                       int number,
                       maker::Chance& chance) {
  BatchUse use;
  use.state_number = number;
  use.date = "2026-03-0" + std::to_string(number);
  use.plan.kept_ground = plan.ground == plan::Ground::kept;
  use.plan.temperature_factor = plan.temperature_factor;
  use.plan.temperature_ln_sd = plan.temperature_factor_sd;
  for (const auto& stage : plan.stages) {
    use.bites.push_back({0, 0, stage.number, stage.dip.in_minutes(), celsius, 0, use.date, ""});
  }
  const double wiping = 0.02 * chance.normal();  // of this sheet, everywhere
  for (const auto& p : plan.regions) {
    const plan::SimulatedRegion* truth = plate.truth(p.region.id);
    if (!truth || plan::word(p.action) == std::string("burnish")) continue;
    Prediction row;
    row.region = p.region.id;
    row.action = plan::word(p.action);
    row.area_mm2 = p.region.area_mm2;
    row.stage = p.stage;
    row.minutes =
        p.stage > 0 ? plan.stages[static_cast<std::size_t>(p.stage - 1)].total.in_minutes() : 0;
    row.now = p.region.now.value.value(), row.now_sd = p.region.now.sd;
    row.predicted = p.predicted.value.value(), row.predicted_sd = p.predicted.sd;
    const double after = row.minutes > 0 ? plate.reached(truth->now, row.minutes) : truth->now;
    const double sd = chance.uniform(0.008, 0.02);
    row.reached = after + wiping + sd * chance.normal();
    row.reached_sd = sd;
    use.predictions.push_back(row);
  }
  return use;
}

// Three states are bitten and learned from; the fourth plan is scored against the truth, with the
// learned speed and with the wedge's alone.
inline DriftScore drifting_batches(std::uint64_t first_seed,
                                   int count,
                                   bool drifting,
                                   Overlap overlap = Overlap::strays) {
  DriftScore score;
  for (std::uint64_t seed = first_seed; score.batches < count; ++seed) {
    plan::SimulationKind kind;
    kind.overlap_uncertain = overlap == Overlap::strays;
    auto made = plan::simulate(seed, kind);
    if (!made) continue;
    plan::SimulatedPlate plate = std::move(*made);
    maker::Chance chance(seed * 7919 + 17);
    ++score.batches;
    // A run-in of 20 to 60 % and 1 to 3 % per plate after it (a published trial's first six plates
    // came darker by about a stage's worth; copper taken up gives 1-2 % per plate).
    Drift drift;
    if (drifting) {
      drift.run_in = chance.uniform(0.18, 0.47);
      drift.run_in_plates = chance.uniform(1, 3);
      drift.per_plate = chance.uniform(0.01, 0.03);
    }
    plan::ActivationEnergy energy = plan::find_mordant("ferric chloride")->energy;
    energy.best_kj_mol = std::max(5.0, energy.best_kj_mol + energy.sd_kj_mol * chance.normal());
    std::vector<BatchUse> uses;
    double plates = 0;
    for (int number = 1; number <= 4; ++number) {
      plates += 1 + std::floor(chance.uniform(0, 2));  // other plates bitten in between
      const double celsius = drifting ? 20 + chance.uniform(-3.5, 3.5) : 20;
      const double truth_celsius = celsius + (drifting ? 0.4 * chance.normal() : 0);
      plate.factor = std::exp(drift.at(plates)) *
                     plan::temperature_factor(
                         energy, Temperature::celsius(20), Temperature::celsius(truth_celsius))
                         .value;
      draw_regions(plate, chance, 8);
      plan::PlanOptions options = plate.options;
      options.temperature = Temperature::celsius(celsius);
      const SpeedHistory h = learn(uses, plate.batch, {}, "2026-03-0" + std::to_string(number));
      plan::PlanOptions with = options;
      with.speed = h.speed, with.speed_sd = h.ln_sd, with.overlap_share = h.overlap_share;
      const auto learned = plan::plan_bites(plate.seen(), &plate.batch, with);
      if (!learned) break;
      if (number < 4) {
        uses.push_back(bitten(plate, *learned, celsius, number, chance));
        continue;
      }
      const auto plain = plan::plan_bites(plate.seen(), &plate.batch, options);
      if (!plain) break;
      for (std::size_t i = 0; i < learned->regions.size(); ++i) {
        const auto &a = learned->regions[i], &b = plain->regions[i];
        if (a.action != plan::Action::bite || b.action != plan::Action::bite) continue;
        const plan::SimulatedRegion* truth = plate.truth(a.region.id);
        if (!truth || truth->minutes <= 0) continue;
        const double t = truth->minutes;
        const double off = std::log(std::max(a.minutes->best.in_minutes(), 1e-3) / t);
        const double off_plain = std::log(std::max(b.minutes->best.in_minutes(), 1e-3) / t);
        ++score.bites;
        score.squares_with += off * off;
        score.squares_without += off_plain * off_plain;
        const bool covered = a.minutes->low.in_minutes() <= t && t <= a.minutes->high.in_minutes();
        const bool kept = plate.ground == plan::Ground::kept;
        score.covered += covered;
        score.kept_bites += kept, score.kept_covered += kept && covered;
      }
    }
  }
  return score;
}

}  // namespace rebite::book

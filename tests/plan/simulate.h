// Simulated plates for the plan room: a true bath, a wedge bitten in it and read with noise (fitted
// by the wedge room itself), and areas whose true tones are known. The truth is the plate maker's
// own arithmetic (tests/support/true_curve.cpp), written independently of src/plan.
#pragma once

#include <cmath>
#include <optional>
#include <string>
#include <vector>

#include "plan/conditions.h"
#include "plan/plan_bites.h"
#include "tests/plan/hand_batch.h"
#include "tests/support/chance.h"
#include "tests/support/plate_maker.h"
#include "wedge/fit_curve.h"

namespace rebite::plan {

struct SimulatedRegion {
  tone::Region seen;           // what the plan is told
  double now = 0, target = 0;  // truth, density
  double minutes = 0;          // truth: what takes now to target in today's bath
};

struct SimulatedPlate {
  maker::TrueCurve curve;
  Ground ground = Ground::fresh;
  double q = 1, factor = 1;                                        // truth
  wedge::Batch batch = batch_through({0, 30}, {0, 1}, 0.01, 1.5);  // replaced by the fitted one
  PlanOptions options;
  std::vector<SimulatedRegion> regions;

  std::vector<tone::Region> seen() const {
    std::vector<tone::Region> list;
    for (const SimulatedRegion& r : regions) list.push_back(r.seen);
    return list;
  }
  const SimulatedRegion* truth(int id) const {
    for (const SimulatedRegion& r : regions) {
      if (r.seen.id == id) return &r;
    }
    return nullptr;
  }
  // Truth: tone of a region after a time in today's bath.
  double reached(double now, double minutes) const {
    const double of_wedge = minutes / factor;
    if (ground == Ground::kept) {
      return std::max(now, curve.density(curve.minutes_for(now) + of_wedge));
    }
    const double land =
        (1 - curve.pit_coverage_of(now)) * std::pow(1 - curve.pit_coverage(of_wedge), q);
    return curve.density_of_pits(1 - land);
  }
  double true_minutes(double now, double target) const {
    return factor * (ground == Ground::kept ? maker::kept_minutes(curve, now, target)
                                            : maker::fresh_minutes(curve, now, target, q));
  }
};

// The standard wedge bitten in the true bath, each step read with an sd between the two.
inline std::vector<wedge::WedgeStep> read_steps(const maker::TrueCurve& curve,
                                                maker::Chance& chance,
                                                double sd_low,
                                                double sd_high) {
  std::vector<wedge::WedgeStep> steps;
  for (const double minutes : {0.0, 0.25, 0.5, 1.0, 2.0, 4.0, 8.0, 16.0, 30.0}) {
    const double sd = sd_low < sd_high ? chance.uniform(sd_low, sd_high) : sd_low;
    wedge::WedgeStep s;
    s.time = BiteTime::minutes(minutes);
    s.density = Density::of(curve.density(minutes) + sd * chance.normal());
    s.sd = sd;
    steps.push_back(s);
  }
  return steps;
}

// Fills in what is read of a region whose truth is known. `calibration`: density that all readings
// of the two sheets are off together.
inline void read_region(SimulatedRegion& r,
                        int id,
                        double calibration,
                        double sd_low,
                        double sd_high,
                        maker::Chance& chance) {
  const double sd_now = chance.uniform(sd_low, sd_high);
  const double sd_target = chance.uniform(sd_low, sd_high);
  tone::Region& seen = r.seen;
  seen.id = id;
  seen.area_mm2 = std::exp(chance.uniform(std::log(100.0), std::log(3000.0)));
  seen.width_mm = 8;
  seen.centre = {10.0 * (id - 1) + 5, 20};
  seen.now = {Density::of(r.now + calibration + sd_now * chance.normal()),
              std::hypot(sd_now, 0.006)};
  seen.target = {Density::of(r.target + calibration + sd_target * chance.normal()),
                 std::hypot(sd_target, 0.006)};
  seen.gap = seen.target.value - seen.now.value;
  seen.gap_sd = std::hypot(sd_now, sd_target);
}

struct SimulationKind {
  std::optional<Ground> ground;    // none: either
  bool overlap_uncertain = false;  // q drawn with its sd (else exactly 1, as the plate maker)
  bool temperature = false;        // another temperature than the wedge's
  bool speed = false;              // a learned speed with its sd
  double read_sd_low = 0.008, read_sd_high = 0.02;  // of one density of a region
  int regions = 8;
};

inline std::optional<SimulatedPlate> simulate(std::uint64_t seed, const SimulationKind& kind) {
  maker::Chance chance(seed);
  SimulatedPlate plate;
  maker::TrueCurve& c = plate.curve;
  c.d0 = chance.uniform(0.02, 0.08);
  c.d1 = chance.uniform(1.1, 1.5);
  c.tau = chance.uniform(2, 9);
  c.beta = chance.uniform(0.7, 1.15);
  c.solid = c.d1 + chance.uniform(0.08, 0.25);
  plate.ground = kind.ground.value_or(chance.uniform() < 0.5 ? Ground::kept : Ground::fresh);

  auto fit = wedge::fit_curve(read_steps(c, chance, 0.008, 0.018));
  if (!fit) return std::nullopt;  // a wedge that noise has put out of order: refused, rightly
  plate.batch = batch_of(fit->curve, c.solid + 0.01 * chance.normal());
  PlanOptions& o = plate.options;
  o.ground = plate.ground;
  if (kind.overlap_uncertain) {
    plate.q = std::max(0.3, plate.batch.overlap.q + plate.batch.overlap.sd * chance.normal());
  }
  if (kind.temperature) {
    const ActivationEnergy& e = find_mordant("ferric chloride")->energy;
    ActivationEnergy truth = e;
    truth.best_kj_mol = std::max(0.0, e.best_kj_mol + e.sd_kj_mol * chance.normal());
    const double now = 20 + chance.uniform(-6, 6);
    o.temperature = Temperature::celsius(now);
    plate.factor *= temperature_factor(truth,
                                       Temperature::celsius(20 + 0.5 * chance.normal()),
                                       Temperature::celsius(now + 0.5 * chance.normal()))
                        .value;
  }
  if (kind.speed) {
    o.speed = std::exp(0.2 * chance.normal());
    o.speed_sd = chance.uniform(0.03, 0.12);
    plate.factor *= o.speed * std::exp(o.speed_sd * chance.normal());
  }

  // One tone calibration and one wiping per sheet, grain per region.
  const double calibration = 0.006 * chance.normal();
  for (int i = 0; i < kind.regions; ++i) {
    SimulatedRegion r;
    r.now = chance.uniform() < 0.2 ? c.d0 : chance.uniform(c.d0, 0.9);
    r.target = r.now + chance.uniform(0.08, 0.7);
    r.minutes = plate.true_minutes(r.now, r.target);
    if (!std::isfinite(r.minutes) || r.minutes > 30 * plate.factor) continue;
    read_region(r, i + 1, calibration, kind.read_sd_low, kind.read_sd_high, chance);
    plate.regions.push_back(r);
  }
  o.plate_area_mm2 = 16500;
  return plate;
}

// What is counted over many plates.
struct MinutesScore {
  int bites = 0, covered = 0, overshot = 0, beyond = 0, held = 0;
  int plans = 0, stages = 0, staged = 0, stage_overshot = 0;  // with the totals of the stages
  double squares = 0, advised_share = 0;
  double gap_before = 0, gap_promised = 0, gap_reached = 0;  // mean |gap| of true tones, mm2 D

  double rms_log2() const { return std::sqrt(squares / bites); }
  double coverage() const { return static_cast<double>(covered) / bites; }
  double overshoot() const { return static_cast<double>(overshot) / bites; }

  // What the stages really do to the plate.
  void add_stage(const SimulatedPlate& plate,
                 const BitePlan& plan,
                 const PlannedRegion& p,
                 const SimulatedRegion& truth) {
    double after = truth.now;
    if (p.stage > 0) {
      const BiteTime total = plan.stages[static_cast<std::size_t>(p.stage - 1)].total;
      after = plate.reached(truth.now, total.in_minutes());
      ++staged;
      const double step = visible_step(Density::of(truth.target)).value();
      stage_overshot += after > truth.target + step ? 1 : 0;
    }
    const double area = p.region.area_mm2;
    gap_before += area * std::fabs(truth.target - truth.now);
    gap_promised += area * std::fabs(truth.target - p.predicted.value.value());
    gap_reached += area * std::fabs(truth.target - after);
  }

  void add(const SimulatedPlate& plate, const BitePlan& plan) {
    ++plans;
    stages += static_cast<int>(plan.stages.size());
    for (const PlannedRegion& p : plan.regions) {
      const SimulatedRegion* truth = plate.truth(p.region.id);
      if (p.action == Action::beyond) ++beyond;
      if (p.action == Action::hold) ++held;
      if (p.action != Action::bite || !truth) continue;
      add_stage(plate, plan, p, *truth);
      const Minutes& m = *p.minutes;
      ++bites;
      const double t = truth->minutes;
      covered += m.low.in_minutes() <= t && t <= m.high.in_minutes() ? 1 : 0;
      const double off = std::log2(std::max(m.best.in_minutes(), 1e-3) / t);
      squares += off * off;
      advised_share += m.advised.in_minutes() / t;
      const double step = visible_step(Density::of(truth->target)).value();
      overshot += plate.reached(truth->now, m.advised.in_minutes()) > truth->target + step ? 1 : 0;
    }
  }
};

}  // namespace rebite::plan

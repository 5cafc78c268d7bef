// Minutes for one area: best, 90 % interval, and the time to advise.
#pragma once

#include <vector>

#include "plan/bite_plan.h"
#include "plan/conditions.h"
#include "tone/regions.h"
#include "wedge/tone_curve.h"

namespace rebite::plan {

// What is read of one area on the two sheets.
struct AreaReading {
  DensityEstimate now, target;
  double gap_sd = 0;       // of their difference, log10 units
  double offset_sd = 0;    // part of gap_sd and of target.sd: rare and large (tone::Region)
  double print_share = 1;  // wedge::print_spread_share of the area
};
AreaReading reading_of(const tone::Region& region);

// kept:  age = D^-1(now) is what the wedge would have had to reach the tone of now;
//        time = factor * (D^-1(target) - age).
// fresh: land (the light part, 1 - coverage by Murray-Davies) multiplies:
//          land(target) = land(now) * (land(D(t)) / land(D(0)))^q,      time = factor * t
//        q = 1 is Demichel's rule, a crossed wedge measures q. D(0) is what unbitten metal prints
//        (plate tone): it is on the plate once, not once per ground, so that a fresh ground over
//        unbitten metal is the wedge itself. With D(0) = 0 this is wedge::fresh_tone_for.
//
// The interval and the advised time come from 1,024 draws (Latin hypercube, fixed seed, the same
// draws for every region) of all that is not known: now and target (correlated so that their
// difference has gap_sd; the part offset_sd of it as a large error in one draw of 16), how the
// proof's print was inked and wiped against the wedge's (the batch's print-to-print spread over the
// area; one error for now and target alike), the curve (an error that runs smoothly along it, with
// the table's sd), q, and the factor on time.
//
// The population for which the 90 % interval and the risk are true: plates whose errors are as
// large as is told of them, and whose overlap strays from the rule as OverlapRule::sd says
// (assumed: 1 +- 0.15, a judgement, no figure is published; measured by a crossed wedge: what its
// fit leaves in doubt). Where grounds overlap exactly as the rule has it, the interval is wider
// than need be and the overshoot rarer than the risk. advised is never above best, so the risk is
// an upper bound wherever the readings are good. Draws whose target cannot be reached take the
// whole useful time. Same input, same numbers; more gap never gives less time.
class BiteModel {
 public:
  // `risk` in [0.01, 0.5]: chance of overshooting by more than a visible step at the advised time.
  BiteModel(const wedge::Batch& batch, Ground ground, const TimeFactor& factor, double risk);

  Ground ground() const { return ground_; }
  // The darkest tone that a bite can make of `now`, and the time for it: never past useful_until.
  Density reach(Density now) const;
  BiteTime longest(Density now) const;
  // What unbitten metal prints.
  Density bare() const { return curve_.lightest(); }
  // The darkest tone after one more, fresh, ground over a tone.
  Density reach_with_further_ground(Density over) const;
  // Standard error of the curve at its useful end, log10 units.
  double curve_end_sd() const { return curve_.sd_at(curve_.useful_until()); }
  // Best estimate; 0 when target is not darker than now; the time to reach(now) when darker.
  BiteTime time_to(Density now, Density target) const;
  // Tone after a bite of that time (held at reach).
  Density reached(Density now, BiteTime t) const;
  // The same with its standard error over the draws. `print_share`: as AreaReading.
  DensityEstimate reached(const DensityEstimate& now, BiteTime t, double print_share) const;
  Minutes minutes(const AreaReading& area) const;
  // Share of the draws in which `t` leaves the area darker than the target by more than a step.
  double overshoot_chance(const AreaReading& area, BiteTime t) const;
  // On bare metal under the same ground: what a patch of a control strip shows.
  DensityEstimate on_bare_metal(BiteTime t) const;

 private:
  struct Draw {
    double now_z = 0, gap_z = 0, q = 1, factor = 1;
    double print = 0;     // how a step of the proof's print differs from the wedge's, log10 units
    double offset_z = 0;  // in units of offset_sd: mostly 0
  };
  // Time at which draw `i` reaches `target` from `now`; infinite when it never does.
  double draw_time(std::size_t i, double now, double target) const;
  double draw_inverse(std::size_t i, double density) const;
  double draw_density(std::size_t i, double minutes) const;
  double draw_reached(std::size_t i, double now, double minutes) const;
  // Times at which the draws reach target + step.
  std::vector<double> draw_times(const AreaReading& area, double step, bool hold_unreachable) const;

  wedge::ToneCurve curve_;
  Density solid_;
  Ground ground_;
  double q_, factor_, risk_;
  double print_sd_;           // of one print against another, log10 units
  double end_;                // useful_until, minutes of the wedge
  std::vector<double> grid_;  // minutes of the wedge, 0..end_
  std::vector<Draw> draws_;
  std::vector<double> curves_;  // draws x grid, never falling along the grid
};

// Errors of now and target, correlated so that their difference has gap_sd. Where that is not
// possible (gap_sd larger than the sum) both are widened.
struct PairedErrors {
  double now_sd = 0, target_sd = 0, correlation = 0;
};
PairedErrors paired_errors(double now_sd, double target_sd, double gap_sd);

}  // namespace rebite::plan

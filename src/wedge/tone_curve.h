// Density against minutes for one mordant batch on one metal and ground, with its uncertainty.
// Plain numbers only: the plan room may include this header and nothing else of OpenCV.
#pragma once

#include <array>
#include <optional>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "units/bite_time.h"
#include "units/density.h"
#include "units/problem.h"
#include "wedge/pchip.h"

namespace rebite::wedge {

// One step of the wedge as measured.
struct WedgeStep {
  BiteTime time = BiteTime::minutes(0);  // total time in the bath
  Density density = Density::of(0);      // above paper
  double sd = 0;                         // standard error of that density (impressions and grain)
  std::optional<double> between_sd;      // spread between impressions; none with one impression
  double grain_sd = 0;                   // pixel scatter inside the step, as reflectance
  double px = 0;                         // pixels used
  // The part of sd that neighbouring steps have in common, because wiping is smooth over the sheet
  // (0: every step errs on its own). Never more than sd.
  double wiping_sd = 0;
  // Where it was found on the first impression: 1.. along the wedge, row by row (0: not known), and
  // its middle, mm from the scan's top-left corner.
  int place = 0;
  double x_mm = 0, y_mm = 0;
  double trimmed_mm = 0;  // left out along the step's edges (0: not known)
};

// The form that was accepted.
//  saturating: D(t) = d0 + (d1 - d0) (1 - exp(-((t - latent)/tau)^beta)) for t > latent, else d0
//  monotone:   PCHIP through the isotonic means (Fritsch & Carlson 1980; Fritsch & Butland 1984)
enum class CurveKind { saturating, monotone };

struct TimeInterval {
  BiteTime low = BiteTime::minutes(0);
  BiteTime best = BiteTime::minutes(0);
  BiteTime high = BiteTime::minutes(0);
};

// How a fresh ground adds to an old tone. Land (the unbitten, light part) multiplies:
//   log(1 - a) = log(1 - a_now) + q log(1 - a_new)
// q = 1 is Demichel's independent overlap (the assumed rule); a crossed wedge measures q.
struct OverlapRule {
  double q = 1.0;
  double sd = 0.15;  // assumed rule: said to be uncertain by this much; measured: from the fit
  bool measured = false;
};

// Monotone, never extrapolated. All densities above paper.
class ToneCurve {
 public:
  // The curve as a table (that is what is stored and inverted): minutes increasing from 0, density
  // never falling, sd > 0 the standard error of the curve at that time, such that +-z90 sd is the
  // 90 % band (few degrees of freedom are already in it). At least 2 points.
  struct Table {
    std::vector<double> minutes, density, sd;
  };
  ToneCurve(CurveKind kind,
            Table table,
            std::vector<std::pair<std::string, double>> parameters,
            BiteTime useful_until);

  CurveKind kind() const { return kind_; }
  const Table& table() const { return table_; }
  const std::vector<std::pair<std::string, double>>& parameters() const { return parameters_; }

  // Density reached after a total time from bare metal. Times past the table hold its last value.
  Density at(BiteTime t) const;
  double sd_at(BiteTime t) const;
  // Local slope dD/dt, log10 units per minute, >= 0.
  double slope_at(BiteTime t) const;

  // The darkest tone that is ever promised (density at useful_until) and the lightest (at 0).
  Density darkest() const { return at(useful_until_); }
  Density lightest() const { return at(BiteTime::minutes(0)); }
  BiteTime useful_until() const { return useful_until_; }

  // The time that reaches a density: smallest t with at(t) >= d. Empty when darker than darkest()
  // by more than the curve's own sd; 0 when lighter than lightest().
  std::optional<BiteTime> time_for(Density d) const;

  // The inverse with its interval: the times at which the band at +-z sd reaches d. By default the
  // 90 % band. `d_sd` (log10 units) widens the band when the wanted density is itself uncertain.
  // `high` is held at useful_until where the lower edge of the band never reaches d. Empty where
  // time_for is empty.
  std::optional<TimeInterval> interval_for(Density d, double d_sd = 0, double z = z90) const;

  // The factor from sd to half the 90 % band of a normal: Phi^-1(0.95).
  static constexpr double z90 = 1.6448536269514722;

 private:
  CurveKind kind_;
  Table table_;
  std::vector<std::pair<std::string, double>> parameters_;
  BiteTime useful_until_;
  HermiteCurve density_;  // through the table, slopes of Fritsch & Butland 1984
};

// Whether the wedge's scans were turned into tone by a scanner's own curve: scans that are read
// another way than the wedge get minutes that are wrong by a factor.
struct WedgeScanner {
  bool recorded = false;  // false: a batch file from before this was written, which does not say
  std::string curve;      // the curve file's name; empty: read without a curve
  std::string sha256;     // of that file, 64 hex digits
};

// One mordant batch on one metal and ground, as its wedge showed it: the "rebite-batch" file.
struct Batch {
  std::string name, mordant, strength, metal, ground;
  std::optional<double> temperature_c;  // of the bath when the wedge was bitten
  std::string bitten_on;                // ISO date, may be empty
  int impressions = 1;
  std::vector<WedgeStep> steps;  // as measured, in order of time
  ToneCurve curve;
  Density solid;             // full ink coverage: darkest tone of this ink and paper
  double noise_density = 0;  // print-to-print spread of one step's density, 1 sd
  OverlapRule overlap;
  WedgeScanner scanner = {};
  // Absolute reflectance of the bare paper on its scans (scan::DensityImage::paper_reflectance);
  // mean over the impressions (0: not known); and the most that the light changes over one of them.
  double paper_reflectance = 0, paper_unevenness = 0;
  Notes notes;
  // The curve ends before the wedge does; else the wedge still gained at its last step.
  bool end_seen() const { return steps.empty() || curve.useful_until() < steps.back().time; }
};

// Print-to-print spread of the mean tone of an area (mm2) against that of a wedge's step, which is
// what Batch::noise_density tells: about 1 for areas like a step, 0.82 for a disc of 10 cm2 and less
// for a longer shape, since wiping averages out over a distance. By the correlation of wiping.h, the
// area taken as the disc whose places are as far apart: `mean_distance_mm` is the geometric mean
// distance of two of its places (tone::Region). Over squares, strips, angles and rings that disc's
// places share as much as the shape's own, within 0.02 (of 1); islands 20 cm apart share 0.14 more
// than it. The step is a disc.
// Never below least_print_share: how a whole print was inked does not average out (common practice, no
// source).
double print_spread_share(double area_mm2, double mean_distance_mm);
inline constexpr double least_print_share = 0.7;
// exp(-1/4) times the radius (J. C. Maxwell, A Treatise on Electricity and Magnetism, 1873, section
// 691).
double mean_distance_of_disc(double area_mm2);

// JSON of interface.md, format "rebite-batch" version 1. curve.low and .high are the 90 % band;
// beside the fixed keys it carries curve.sd, overlap, bitten_on, the steps' spreads and, where it is
// recorded, "scanner" ({"used":false} or {"used":true,"name":..,"sha256":..}) and
// "paper_reflectance" and "paper_unevenness", so that reading it back gives the same batch.
std::string to_json(const Batch& batch);
// Refuses (data) what is not that format or not usable; `name` is the file, for messages.
Result<Batch> batch_from_json(std::string_view text, std::string_view name);

// Density after biting `fresh` (the tone the same bite gives on bare metal) through a new ground
// over `now`; and the tone `fresh` that takes `now` to `target` (empty if target < now or >=
// solid). `film`: what unbitten metal prints (plate tone); it is on the plate once, not once per
// ground, so land is counted between it and the solid.
Density overlaid(
    Density now, Density fresh, Density solid, double q, Density film = Density::of(0));
std::optional<Density> fresh_tone_for(
    Density now, Density target, Density solid, double q, Density film = Density::of(0));

}  // namespace rebite::wedge

#include "plan/conditions.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <string>

namespace rebite::plan {
namespace {

// Beyond this a correction by formula is a guess (the published energies differ by a factor of
// four over 20 degrees): bite a new wedge. Common practice asks for "about the same warmth".
constexpr double far_degrees = 4;
constexpr double told_degrees = 0.1;  // less is none that a thermometer shows
constexpr double thermometer_sd = 0.5;  // each reading; common practice, no source
// A bath drifts by 1-2 % per plate (derived from the copper a plate gives up against a bath's
// room for it) and loses strength in an open tray; both only ever widen the interval here, since
// the direction is not sure (a fresh bath runs in, an old one slows).
constexpr double per_plate = 0.015;
constexpr double per_day = 0.004;  // common practice, no source
constexpr double widest_age = 0.25;
constexpr int many_plates = 10;
constexpr double many_days = 21;  // common practice, no source

bool has_temperature(const wedge::Batch& b) { return b.temperature_c.has_value(); }

void note_window(const Mordant& m, double celsius, Notes& notes) {
  if (!m.window) return;
  if (celsius < m.window->low_c || celsius > m.window->high_c) {
    notes.push_back(fmt::format("The bath is at {:.0f} C; {} works well at {:.0f} to {:.0f} C.",
                                celsius,
                                m.name,
                                m.window->low_c,
                                m.window->high_c));
  }
}

void add_age(const Bench& bench, TimeFactor& all) {
  const double age = std::min(widest_age,
                              per_plate * std::max(0, bench.plates_since_wedge) +
                                  per_day * std::max(0.0, bench.days_since_wedge));
  if (age <= 0) return;
  all.ln_sd = std::hypot(all.ln_sd, age);
  const std::string since = fmt::format("{} plate{} and {:.0f} day{} since the wedge",
                                        bench.plates_since_wedge,
                                        bench.plates_since_wedge == 1 ? "" : "s",
                                        bench.days_since_wedge,
                                        bench.days_since_wedge == 1 ? "" : "s");
  const double percent = 100 * std::expm1(1.645 * age);
  if (bench.plates_since_wedge >= many_plates || bench.days_since_wedge >= many_days) {
    all.new_wedge = true;
    all.notes.push_back(fmt::format(
        "{}: the bath has changed. Bite a new wedge rather than trust these minutes (the ranges "
        "hold a bath that is up to {:.0f} % slower or faster).",
        since,
        percent));
  } else {
    all.notes.push_back(fmt::format(
        "{}: the bath may bite up to {:.0f} % slower or faster by now; the ranges are wider for it.",
        since,
        percent));
  }
}

}  // namespace

TimeFactor temperature_factor(const ActivationEnergy& energy, Temperature wedge, Temperature now) {
  const double per_kj = 1000 / gas_constant;
  const double distance = 1 / now.in_kelvin() - 1 / wedge.in_kelvin();
  TimeFactor f;
  f.value = std::exp(energy.best_kj_mol * per_kj * distance);
  const double per_degree = energy.best_kj_mol * per_kj / (now.in_kelvin() * wedge.in_kelvin());
  f.ln_sd = std::hypot(energy.sd_kj_mol * per_kj * distance,
                       per_degree * thermometer_sd * std::sqrt(2.0));
  const double degrees = now.in_celsius() - wedge.in_celsius();
  const char* than = degrees > 0 ? "warmer" : "colder";
  const std::string range = fmt::format("({:.2f} to {:.2f})",
                                        f.value * std::exp(-1.645 * f.ln_sd),
                                        f.value * std::exp(1.645 * f.ln_sd));
  if (std::fabs(degrees) >= far_degrees) {
    f.new_wedge = true;
    f.notes.push_back(fmt::format(
        "The bath is {:.0f} C {} than the wedge's. The factor {:.2f} on time is a formula's guess "
        "{}: bite a new wedge.",
        std::fabs(degrees),
        than,
        f.value,
        range));
  } else if (std::fabs(degrees) >= told_degrees) {
    f.notes.push_back(fmt::format(
        "The bath is {:.1f} C {} than the wedge's: times are multiplied by {:.2f} {}.",
        std::fabs(degrees),
        than,
        f.value,
        range));
  }
  return f;
}

Conditions conditions_of(const wedge::Batch& batch, const Bench& bench) {
  const Mordant* known = find_mordant(batch.mordant);
  const Mordant& mordant = known ? *known : mordant_table().unknown;
  Conditions c;
  if (bench.temperature && has_temperature(batch)) {
    c.temperature_alone = temperature_factor(
        mordant.energy, Temperature::celsius(*batch.temperature_c), *bench.temperature);
    if (!known && c.temperature_alone.value != 1) {
      c.temperature_alone.notes.push_back(fmt::format(
          "The mordant \"{}\" is not known to Rebite: its answer to warmth is a wide guess.",
          batch.mordant));
    } else if (mordant.energy.poor_fit && c.temperature_alone.new_wedge) {
      c.temperature_alone.notes.push_back(
          "The published rates of this mordant do not lie on one line over temperature.");
    }
  } else if (bench.temperature) {
    c.temperature_alone.ln_sd = 0.10;
    c.temperature_alone.notes.push_back(
        "The batch does not say how warm its wedge was bitten: no correction for temperature.");
  }
  if (bench.temperature) {
    note_window(mordant, bench.temperature->in_celsius(), c.temperature_alone.notes);
  } else if (has_temperature(batch)) {
    note_window(mordant, *batch.temperature_c, c.temperature_alone.notes);
  }
  c.all = c.temperature_alone;
  c.all.value *= bench.speed;
  c.all.ln_sd = std::hypot(c.all.ln_sd, bench.speed_sd);
  if (bench.speed != 1) {
    c.all.notes.push_back(fmt::format(
        "Earlier states of this batch bit {} than the wedge said: times are multiplied by {:.2f}.",
        bench.speed > 1 ? "slower" : "faster",
        bench.speed));
  }
  add_age(bench, c.all);
  return c;
}

double copper_taken_g(double area_minutes) {
  constexpr double open_share = 0.5, um_per_minute = 1.5, g_per_mm3 = 8.96e-3;
  return area_minutes * open_share * um_per_minute * 1e-3 * g_per_mm3;
}

}  // namespace rebite::plan

// How far today's bath differs from the wedge's.
#pragma once

#include <optional>

#include "plan/mordants.h"
#include "units/problem.h"
#include "units/temperature.h"
#include "wedge/tone_curve.h"

namespace rebite::plan {

// A factor on time against the wedge: bath minutes = wedge minutes * value.
struct TimeFactor {
  double value = 1;
  double ln_sd = 0;        // of its natural logarithm
  bool new_wedge = false;  // too far: bite a new wedge rather than multiply
  Notes notes = {};
};

// Arrhenius: value = exp(E/R (1/now - 1/wedge)). ln_sd grows with the distance: sd(E)/R |1/now -
// 1/wedge|, and half a degree for each of the two thermometer readings.
// (20 -> 30 C at 20.5 kJ/mol: the bath is 1.32 times as fast, value 1/1.32. Bryce & Berk 1995.)
TimeFactor temperature_factor(const ActivationEnergy& energy, Temperature wedge, Temperature now);

struct Bench {
  std::optional<Temperature> temperature = {};  // none: as the wedge's
  double days_since_wedge = 0;
  int plates_since_wedge = 0;
  double speed = 1, speed_sd = 0;  // learned (book)
};

// All that changes the speed of this batch since its wedge: temperature, age, plates, what the
// book learned. `temperature_alone` is the first of these.
struct Conditions {
  TimeFactor temperature_alone;
  TimeFactor all;
};
Conditions conditions_of(const wedge::Batch& batch, const Bench& bench);

// Copper that the plate gives up, in grams, as an order of magnitude: bitten area, half of it open
// (a ground leaves about half the plate bare: trade), 1.5 um per minute of a cool still bath
// (1-2 um/min; estimate), density 8.96 g/cm3. `area_minutes` = sum of mm2 * minutes.
double copper_taken_g(double area_minutes);

}  // namespace rebite::plan

// Batches and regions made by hand.
#pragma once

#include <vector>

#include "plan/plan_bites.h"

namespace rebite::plan {

inline wedge::Batch batch_of(wedge::ToneCurve curve, double solid) {
  return {.name = "hand-made",
          .mordant = "ferric chloride",
          .strength = "42 Be",
          .metal = "copper",
          .ground = "rosin",
          .temperature_c = 20.0,
          .bitten_on = "",
          .impressions = 3,
          .steps = {},
          .curve = std::move(curve),
          .solid = Density::of(solid),
          .noise_density = 0.01,
          .overlap = {},
          .notes = {}};
}

// Through the points given (minutes from 0, density rising), useful to the last one.
inline wedge::Batch batch_through(std::vector<double> minutes,
                                  std::vector<double> density,
                                  double sd,
                                  double solid) {
  const double end = minutes.back();
  std::vector<double> sds(minutes.size(), sd);
  return batch_of(wedge::ToneCurve(wedge::CurveKind::monotone,
                                   {std::move(minutes), std::move(density), std::move(sds)},
                                   {},
                                   BiteTime::minutes(end)),
                  solid);
}

inline tone::Region region(int id, double now, double target, double sd, double area_mm2 = 400) {
  tone::Region r;
  r.id = id;
  r.area_mm2 = area_mm2;
  r.width_mm = 10;
  r.centre = {10.0 * id, 20};
  r.now = {Density::of(now), sd};
  r.target = {Density::of(target), sd};
  r.gap = Density::of(target) - Density::of(now);
  r.gap_sd = sd * 1.4142135623730951;
  return r;
}

}  // namespace rebite::plan

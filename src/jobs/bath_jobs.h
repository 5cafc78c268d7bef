// The bath: which stage comes next, the clock that is kept in the book, and what was really done.
#pragma once

#include "jobs/studio.h"

namespace rebite::jobs {

// {"state","plate_title","stages":[{"number","dip_minutes","total_minutes","stop_out_before"}],
//  "stage" (the next one, or the one in the bath; 0: all done),
//  "done":[{"bite","stage","minutes","note","struck"}],
//  "total_minutes" (really, so far),"clock":null|{"id","stage","paused","planned_minutes",
//  "target_minutes" (for the temperature given),"elapsed_minutes","temperature_c"},
//  "plan_temperature_c","stop":bool}
// `now`: wall clock. Refuses (data) a state without a plan or without stages.
Result<std::string> bath_json(const Studio& studio, book::Id state, book::WallMs now);

// All plates that are in a bath now: {"baths":[{"id","state","plate_title","stage","paused",
// "elapsed_minutes","target_minutes"|"trouble"}]}. "trouble": what is wrong, in place of the target,
// of a bath whose plan cannot be read; the others are told all the same.
Result<std::string> baths_json(const Studio& studio, book::WallMs now);

struct BathAct {
  // strike: a dip that was entered wrongly no longer counts.
  enum class What { start, pause, resume, temperature, pull, call_off, strike };
  What what = What::start;
  book::Id state = 0, clock = 0;  // clock: all but start and strike
  book::Id bite = 0;              // strike
  std::string temperature;        // start, temperature: as typed; empty: as planned
  std::string note;               // pull, call_off, strike: why
  std::string today;              // ISO date
};
// Answers as bath_json.
Result<std::string> bath_act(const Studio& studio, const BathAct& act, book::WallMs now);

}  // namespace rebite::jobs

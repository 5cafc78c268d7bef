#include "jobs/bath_jobs.h"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "jobs/from_book.h"
#include "jobs/guard.h"
#include "plan/conditions.h"
#include "units/parse.h"

namespace rebite::jobs {
namespace {
using Json = nlohmann::ordered_json;

struct Bath {
  book::Plate plate;
  book::State state;
  book::PlanRecord plan;
  Json stages;                    // of the plan's text
  std::vector<book::Bite> bites;  // on this state, with those that were struck out
  std::optional<wedge::Batch> batch;
  book::Id batch_id = 0;
  std::optional<book::BathClock> clock;  // running

  double done_minutes() const {
    double sum = 0;
    for (const auto& b : bites) sum += b.struck ? 0 : b.minutes;
    return sum;
  }
  // What those minutes are worth in the plan's own: a minute in a warm bath bites for longer.
  double worth_minutes() const {
    double sum = 0;
    for (const auto& b : bites) sum += b.struck ? 0 : b.minutes / factor_at(b.temperature_c);
    return sum;
  }
  int stage_to_come() const { return next_stage(bites, stages.size()); }
  double total_of(int stage) const {
    return stages.at(static_cast<std::size_t>(stage - 1)).at("total_minutes").get<double>();
  }
  // The dip that a stage needs at the plan's temperature: what the stages before were bitten too
  // long or too short is taken off or added, so that the total is the plan's.
  double dip_minutes(int stage) const { return std::max(0.0, total_of(stage) - worth_minutes()); }
  // Of time, against the plan's own temperature. 1 where either is not known.
  double factor_at(std::optional<double> celsius) const {
    if (!celsius || !batch || !batch->temperature_c) return 1;
    plan::Bench bench;
    bench.temperature = Temperature::celsius(*celsius);
    const double now = plan::conditions_of(*batch, bench).temperature_alone.value;
    return now / (plan.temperature_factor > 0 ? plan.temperature_factor : 1);
  }
  // When the plate is to be pulled, in minutes in the bath: what is left of the plan's minutes
  // after those that are over, each worth what its temperature made it, at the temperature of now.
  double target_minutes(const book::BathClock& c, book::WallMs now) const {
    double over = 0, worth = 0;
    for (const auto& [minutes, celsius] : c.minutes_by_temperature(now)) {
      over += minutes, worth += minutes / factor_at(celsius);
    }
    return std::max(0.0, over + (c.planned_minutes - worth) * factor_at(c.latest_temperature()));
  }
  std::optional<double> plan_temperature() const {
    if (plan.temperature_c) return plan.temperature_c;
    return batch ? batch->temperature_c : std::nullopt;
  }
};

Result<Bath> bath_of(book::Book& book, book::Id id) {
  Bath bath;
  const auto none = [](const char* what) {
    return refuse(ProblemKind::data, what, "Plan the state first, with a batch.");
  };
  const auto state = book.state(id);
  if (!state) return std::unexpected(state.error());
  if (!*state) return none("that state is not in the book");
  bath.state = **state;
  const auto plate = book.plate(bath.state.plate);
  if (!plate) return std::unexpected(plate.error());
  if (*plate) bath.plate = **plate;
  auto bites = book.bites(id);
  if (!bites) return std::unexpected(bites.error());
  bath.bites = std::move(*bites);
  const auto plan = book.current_plan(id);
  if (!plan) return std::unexpected(plan.error());
  if (!*plan) return none("this state has no plan yet");
  bath.plan = **plan;
  bath.stages = stages_of(bath.plan);
  if (bath.stages.empty()) return none("this plan has no stages: nothing is bitten");
  const auto wedge = book.wedge(bath.plan.wedge);
  if (!wedge) return std::unexpected(wedge.error());
  if (*wedge) {
    bath.batch_id = (*wedge)->batch;
    auto batch = wedge::batch_from_json((*wedge)->text, "the plan's wedge");
    if (batch) bath.batch = std::move(*batch);
  }
  const auto clocks = book.clocks(id);
  if (!clocks) return std::unexpected(clocks.error());
  for (const auto& c : *clocks) {
    if (c.running()) bath.clock = c;
  }
  return bath;
}

std::string json_of(const Bath& b, book::WallMs now) {
  Json stages = Json::array(), done = Json::array();
  for (const auto& s : b.stages) {
    stages.push_back({{"number", s.at("stage")},
                      {"dip_minutes", s.at("dip_minutes")},
                      {"total_minutes", s.at("total_minutes")},
                      {"stop_out_before", s.at("stop_out_before")}});
  }
  for (const auto& bite : b.bites) {
    done.push_back({{"bite", bite.id},
                    {"stage", bite.stage},
                    {"minutes", bite.minutes},
                    {"note", bite.note},
                    {"struck", bite.struck.has_value()}});
  }
  const int stage = b.clock ? b.clock->stage : b.stage_to_come();
  Json j{{"state", b.state.id},
         {"state_number", b.state.number},
         {"plate", b.plate.id},
         {"plate_title", b.plate.title},
         {"plan", b.plan.id},
         {"stages", stages},
         {"stage", stage},
         {"done", done},
         {"total_minutes", b.done_minutes()},
         {"clock", nullptr},
         {"now_ms", now}};
  if (const auto t = b.plan_temperature()) j["plan_temperature_c"] = *t;
  j["corrects"] = b.batch && b.batch->temperature_c;
  if (stage > 0 && !b.clock) {
    j["next_dip_minutes"] = b.dip_minutes(stage);
  }
  if (b.clock) {
    const auto& c = *b.clock;
    j["clock"] = {{"id", c.id},
                  {"stage", c.stage},
                  {"paused", c.paused()},
                  {"planned_minutes", c.planned_minutes},
                  {"target_minutes", b.target_minutes(c, now)},
                  {"elapsed_minutes", c.minutes_in_bath(now)}};
    if (const auto t = c.latest_temperature()) j["clock"]["temperature_c"] = *t;
  }
  return text_of(j);
}

Result<std::optional<double>> celsius_of(const std::string& typed) {
  if (typed.empty()) return std::optional<double>();
  const auto t = parse_temperature(typed);
  if (!t) return std::unexpected(t.error());
  return std::optional(t->in_celsius());
}

Result<void> start(book::Book& book, const Bath& bath, const BathAct& act, book::WallMs now) {
  const int stage = bath.stage_to_come();
  if (stage == 0) {
    return refuse(ProblemKind::data, "all stages of this plan are bitten", "Print the proof.");
  }
  const auto celsius = celsius_of(act.temperature);
  if (!celsius) return std::unexpected(celsius.error());
  book::BathClock clock;
  clock.state = bath.state.id;
  clock.plan = bath.plan.id;
  clock.stage = stage;
  clock.planned_minutes = bath.dip_minutes(stage);
  clock.temperature_c = *celsius;
  clock.batch = bath.batch_id;
  clock.started = now;
  const auto id = book.start_clock(clock);
  if (!id) return std::unexpected(id.error());
  return {};
}

Result<void> done(const BathAct& act, book::Book& book, const Bath& bath, book::WallMs now) {
  using What = BathAct::What;
  const auto pulled = [](const auto& result) -> Result<void> {
    if (!result) return std::unexpected(result.error());
    return {};
  };
  switch (act.what) {
    case What::start:
      return start(book, bath, act, now);
    case What::pause:
      return book.pause_clock(act.clock, now);
    case What::resume:
      return book.resume_clock(act.clock, now);
    case What::pull:
      return pulled(book.pull(act.clock, now, act.today, act.note));
    case What::call_off:
      return book.call_off_clock(act.clock, now, act.note);
    case What::strike: {
      const auto own = [&](const auto& b) { return b.id == act.bite; };
      if (std::ranges::none_of(bath.bites, own)) {
        return refuse(ProblemKind::data, "that dip is not one of this state", "Load the page again.");
      }
      if (auto ok = may_be_struck(book, act.bite, bath.bites); !ok) return ok;
      return book.strike_bite(act.bite, {act.today, act.note});
    }
    case What::temperature: {
      const auto celsius = celsius_of(act.temperature);
      if (!celsius) return std::unexpected(celsius.error());
      return book.read_temperature(act.clock, now, *celsius);
    }
  }
  return {};
}

// "A plate", or what can be said of it when the book does not tell its name.
std::string plate_title_of(book::Book& book, book::Id id) {
  if (const auto state = book.state(id); state && *state) {
    if (const auto plate = book.plate((*state)->plate); plate && *plate) return (*plate)->title;
  }
  return "A plate";
}

// One line of the list. A bath that cannot be read says so: the plate lies in it all the same.
Json line_of(book::Book& book, const book::BathClock& c, book::WallMs now) {
  Json line{{"id", c.id},
            {"state", c.state},
            {"plate_title", plate_title_of(book, c.state)},
            {"stage", c.stage},
            {"paused", c.paused()},
            {"elapsed_minutes", c.minutes_in_bath(now)}};
  const auto target = guarded("Reading the bath clock", [&]() -> Result<double> {
    const auto bath = bath_of(book, c.state);
    if (!bath) return std::unexpected(bath.error());
    return bath->target_minutes(c, now);
  });
  if (target) {
    line["target_minutes"] = *target;
  } else {
    line["trouble"] = target.error().what;
  }
  return line;
}

}  // namespace

Result<std::string> bath_json(const Studio& studio, book::Id state, book::WallMs now) {
  return guarded("Reading the bath clock", [&]() -> Result<std::string> {
    auto book = opened(studio);
    if (!book) return std::unexpected(book.error());
    const auto bath = bath_of(*book, state);
    if (!bath) return std::unexpected(bath.error());
    return json_of(*bath, now);
  });
}

Result<std::string> baths_json(const Studio& studio, book::WallMs now) {
  return guarded("Reading the bath clocks", [&]() -> Result<std::string> {
    auto book = opened(studio);
    if (!book) return std::unexpected(book.error());
    const auto clocks = book->running_clocks();
    if (!clocks) return std::unexpected(clocks.error());
    Json list = Json::array();
    for (const auto& c : *clocks) list.push_back(line_of(*book, c, now));
    return text_of({{"baths", list}});
  });
}

Result<std::string> bath_act(const Studio& studio, const BathAct& act, book::WallMs now) {
  return guarded("The bath clock", [&]() -> Result<std::string> {
    auto book = book::Book::open(studio.book, book::Book::Access::write);
    if (!book) return std::unexpected(book.error());
    const auto before = bath_of(*book, act.state);
    if (!before) return std::unexpected(before.error());
    const bool of_clock = act.what != BathAct::What::start && act.what != BathAct::What::strike;
    if (of_clock && (!before->clock || before->clock->id != act.clock)) {
      return refuse(ProblemKind::data,
                    "that bath clock is not running any more",
                    "Look at the bath as it is now: another window may have ended it.");
    }
    if (auto ok = done(act, *book, *before, now); !ok) return std::unexpected(ok.error());
    const auto after = bath_of(*book, act.state);
    if (!after) return std::unexpected(after.error());
    return json_of(*after, now);
  });
}

}  // namespace rebite::jobs

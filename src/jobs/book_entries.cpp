// What was done to a plate, entered and struck out.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "jobs/book_jobs.h"
#include "jobs/from_book.h"
#include "jobs/guard.h"
#include "units/bite_time.h"

namespace rebite::jobs {
namespace {

Result<book::State> state_meant(book::Book& book, const std::string& plate_title, int number) {
  const auto plate = book.plate(plate_title);
  if (!plate) return std::unexpected(plate.error());
  const auto state = number ? book.state(plate->id, number) : book.last_state(plate->id);
  if (!state) return std::unexpected(state.error());
  if (*state) return **state;
  return refuse(ProblemKind::data,
                number ? fmt::format("'{}' has no state {} in the book", plate_title, number)
                       : fmt::format("'{}' has no state in the book yet", plate_title),
                "Record it with rebite book state, or with rebite plan --record.");
}

// Refuses a stage that the state's plan does not have; without a plan any stage may be told.
Result<void> stage_is_planned(book::Book& book, const book::State& state, int stage) {
  const auto plan = book.current_plan(state.id);
  if (!plan) return std::unexpected(plan.error());
  if (!*plan) return {};
  const auto stages = stages_of(**plan).size();
  if (stage >= 1 && static_cast<std::size_t>(stage) <= stages) return {};
  return refuse(
      ProblemKind::data,
      fmt::format(
          "stage {} is not in the plan of state {}, which has {}", stage, state.number, stages),
      "Look at its stages with rebite book show, and name the one that was bitten.");
}

// The same for a region; without a plan any number may be told.
Result<void> region_is_planned(book::Book& book, const book::State& state, int region) {
  const auto plan = book.current_plan(state.id);
  if (!plan) return std::unexpected(plan.error());
  if (!*plan || region == 0) return {};
  const auto all = book.predictions((*plan)->id);
  if (!all) return std::unexpected(all.error());
  if (std::ranges::any_of(*all, [&](const auto& p) { return p.region == region; })) return {};
  return refuse(ProblemKind::data,
                fmt::format("region {} is not in the plan of state {}, which has {}",
                            region,
                            state.number,
                            all->size()),
                "Look at its map for the number, or leave --region out.");
}

// The last entry of them that counts and fits; null: none.
template <class Entry, class Fits>
const Entry* last_that_counts(const std::vector<Entry>& all, book::Id state, Fits fits) {
  const Entry* found = nullptr;
  for (const auto& e : all) {
    if (e.state == state && !e.struck && fits(e) && (!found || e.id > found->id)) found = &e;
  }
  return found;
}

// The bite that is meant; refused with the times where a stage has several that count and none of
// them was named.
Result<book::Bite> bite_meant(const std::vector<book::Bite>& of_its_state,
                              const book::State& state,
                              const StrikeRequest& request) {
  constexpr double same_minutes = 0.5 / 60;  // times are told to the second
  std::vector<book::Bite> fit;
  std::string times;
  for (const auto& b : of_its_state) {
    if (b.struck || b.stage != request.stage) continue;
    times += (times.empty() ? "" : ", ") + clock_text(BiteTime::minutes(b.minutes));
    if (request.minutes <= 0 || std::fabs(b.minutes - request.minutes) < same_minutes) {
      fit.push_back(b);
    }
  }
  const bool alike = std::ranges::all_of(
      fit, [&](const auto& b) { return std::fabs(b.minutes - fit.front().minutes) < same_minutes; });
  if (!fit.empty() && alike) return fit.back();
  if (times.empty()) {
    return refuse(ProblemKind::data,
                  fmt::format("state {} has no bite of stage {} that counts",
                              state.number,
                              request.stage),
                  "Look at what was entered with rebite book show.");
  }
  return refuse(ProblemKind::data,
                fmt::format("stage {} of state {} has these bites that count: {}",
                            request.stage,
                            state.number,
                            times),
                "Say which one is wrong with --time.");
}

}  // namespace

Result<int> enter_bite(book::Book& book, const BiteRequest& request) {
  return guarded("Recording the bite", [&]() -> Result<int> {
    const auto state = state_meant(book, request.plate, request.state);
    if (!state) return std::unexpected(state.error());
    book::Bite bite = request.bite;
    bite.state = state->id;
    if (auto ok = stage_is_planned(book, *state, bite.stage); !ok)
      return std::unexpected(ok.error());
    if (!request.batch.empty()) {
      const auto batch = book.batch(request.batch);
      if (!batch) return std::unexpected(batch.error());
      bite.batch = batch->id;
    }
    const auto id = book.add_bite(bite);
    if (!id) return std::unexpected(id.error());
    return state->number;
  });
}

Result<int> enter_lowering(book::Book& book, const LowerRequest& request) {
  return guarded("Recording the lowering", [&]() -> Result<int> {
    const auto state = state_meant(book, request.plate, request.state);
    if (!state) return std::unexpected(state.error());
    book::Lowering lowering = request.lowering;
    lowering.state = state->id;
    if (auto ok = region_is_planned(book, *state, lowering.region); !ok) {
      return std::unexpected(ok.error());
    }
    const auto id = book.add_lowering(lowering);
    if (!id) return std::unexpected(id.error());
    return state->number;
  });
}

Result<std::string> strike_out(book::Book& book, const StrikeRequest& request) {
  return guarded("Striking out", [&]() -> Result<std::string> {
    const auto state = state_meant(book, request.plate, request.state);
    if (!state) return std::unexpected(state.error());
    const auto none = [&](const std::string& what) {
      return refuse(ProblemKind::data,
                    fmt::format("state {} has no {} that counts", state->number, what),
                    "Look at what was entered with rebite book show.");
    };
    std::string words;
    Result<void> done;
    if (request.stage > 0) {
      const auto bites = book.bites(state->id);
      if (!bites) return std::unexpected(bites.error());
      const auto bite = bite_meant(*bites, *state, request);
      if (!bite) return std::unexpected(bite.error());
      if (auto ok = may_be_struck(book, bite->id, *bites); !ok) {
        return std::unexpected(ok.error());
      }
      words = fmt::format("{} at stage {}", clock_text(BiteTime::minutes(bite->minutes)), bite->stage);
      done = book.strike_bite(bite->id, request.struck);
    } else {
      const auto story = book.story(state->plate, false);
      if (!story) return std::unexpected(story.error());
      const auto* lowering = last_that_counts(story->lowerings, state->id, [&](const auto& l) {
        return request.region == 0 || l.region == request.region;
      });
      if (!lowering) {
        return none(request.region ? fmt::format("lowering of region {}", request.region)
                                   : "lowering");
      }
      words = lowering->region ? fmt::format("{}, region {}", lowering->how, lowering->region)
                               : lowering->how + ", the plate";
      done = book.strike_lowering(lowering->id, request.struck);
    }
    if (!done) return std::unexpected(done.error());
    return fmt::format("State {}, {}: struck out. It stays in the book and no longer counts.\n",
                       state->number,
                       words);
  });
}

}  // namespace rebite::jobs

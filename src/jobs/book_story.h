// What the book's text, JSON and HTML page share of a plate's story. Internal to jobs.
#pragma once

#include <algorithm>
#include <map>

#include "jobs/book_jobs.h"

namespace rebite::jobs {

// What belongs to each state, by its id.
struct ByState {
  std::map<book::Id, std::vector<const book::PlanRecord*>> plans;
  std::map<book::Id, std::vector<const book::Bite*>> bites;
  std::map<book::Id, std::vector<const book::Lowering*>> lowerings;
  std::map<book::Id, std::vector<const book::Prediction*>> predictions;  // by plan

  explicit ByState(const book::Story& s) {
    for (const auto& p : s.plans) plans[p.state].push_back(&p);
    for (const auto& b : s.bites) bites[b.state].push_back(&b);
    for (const auto& l : s.lowerings) lowerings[l.state].push_back(&l);
    for (const auto& p : s.predictions) predictions[p.plan].push_back(&p);
  }
  // Of a state that has plans.
  const book::PlanRecord* current(book::Id state) const {
    const auto& all = plans.at(state);
    const auto found = std::find_if(all.begin(), all.end(), [](auto* p) { return p->current; });
    return found == all.end() ? all.back() : *found;
  }
};

std::string size_text(SizeMm s);
// "State 3, 2026-02-01, 3 impressions printed: note"
std::string state_heading(const book::State& s);
// What belongs to one state, without its heading.
std::string state_body(const book::State& s, const ByState& by);

}  // namespace rebite::jobs

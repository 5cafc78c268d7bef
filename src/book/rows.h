// Rows that more than one file of the room writes or asks for. Inside the room only.
#pragma once

#include <string>
#include <vector>

#include "book/records.h"
#include "book/store.h"

namespace rebite::book {

// Inside a transaction only.
Id insert_plan(Store& store, const PlanRecord& plan, const std::vector<Prediction>& predictions);
Id insert_bite(Store& store, const Bite& bite);

inline std::string text(const SQLite::Column& c) {
  return c.isNull() ? std::string() : c.getString();
}
// Three columns of struck_out from `column` on: id, day, why; empty where the row has none.
std::optional<StruckOut> struck_of(SQLite::Statement& s, int column);
// With those that were struck out, table struck_out as x.
std::vector<Bite> bites_where(Store& store, const std::string& where, Id key);

// SQL for the current plan of the state with the id that `state` names: where undo and redo left
// it, else the last one made.
inline std::string current_plan_of(const std::string& state) {
  return "coalesce((SELECT plan_id FROM current_plans WHERE state_id = " + state +
         "), (SELECT max(id) FROM plans WHERE state_id = " + state + "))";
}

// Makes `plan` the current one of `state`. Inside a transaction only.
void set_current_plan(Store& store, Id state, Id plan);

}  // namespace rebite::book

// Plans changed by hand: a tree of plans under each original, and which of them is current.
#include "book/book.h"
#include "book/rows.h"
#include "book/store.h"

namespace rebite::book {
namespace {

// 0: the state has no plan.
Id current_of(Store& store, Id state) {
  SQLite::Statement s(store.db(), "SELECT " + current_plan_of("?1"));
  s.bind(1, state);
  s.executeStep();
  return s.getColumn(0).isNull() ? 0 : s.getColumn(0).getInt64();
}

// 0: none.
Id one_id(Store& store, const char* sql, Id key) {
  SQLite::Statement s(store.db(), sql);
  s.bind(1, key);
  return s.executeStep() && !s.getColumn(0).isNull() ? s.getColumn(0).getInt64() : 0;
}

std::unexpected<Problem> nothing_to(const char* what) {
  return refuse(ProblemKind::data,
                std::string("There is no change of this plan to ") + what,
                "The plan stays as it is.");
}

}  // namespace

void set_current_plan(Store& store, Id state, Id plan) {
  const Id row = one_id(store, "SELECT id FROM current_plans WHERE state_id=?", state);
  if (row) {
    store.update("current_plans", row, {{"plan_id", plan}});
  } else {
    store.insert("current_plans", {{"state_id", state}, {"plan_id", plan}});
  }
}

Result<Id> Book::add_edit(const PlanEdit& edit,
                          const PlanRecord& plan,
                          const std::vector<Prediction>& predictions) {
  return store_->write([&]() -> Result<Id> {
    const Id state = one_id(*store_, "SELECT state_id FROM plans WHERE id=?", edit.from);
    if (!state) {
      return refuse(ProblemKind::data,
                    "The plan that was changed is not in the book",
                    "Record it first (rebite plan --record PLATE).");
    }
    if (current_of(*store_, state) != edit.from) {
      return refuse(ProblemKind::data,
                    "This plan was changed in another window meanwhile",
                    "Look at the plan as it is now, and make the change again.");
    }
    PlanRecord changed = plan;
    changed.state = state;
    const Id id = insert_plan(*store_, changed, predictions);
    store_->insert("plan_edits",
                   {{"plan_id", id},
                    {"from_plan_id", edit.from},
                    {"changes", or_null(edit.changes)},
                    {"what", edit.what},
                    {"made_at", or_null(edit.made_at)}});
    set_current_plan(*store_, state, id);
    return id;
  });
}

Result<Id> Book::undo_edit(Id state) {
  return store_->write([&]() -> Result<Id> {
    const Id before = one_id(
        *store_, "SELECT from_plan_id FROM plan_edits WHERE plan_id=?", current_of(*store_, state));
    if (!before) return nothing_to("take back");
    set_current_plan(*store_, state, before);
    return before;
  });
}

Result<Id> Book::redo_edit(Id state) {
  return store_->write([&]() -> Result<Id> {
    const Id next = one_id(*store_,
                           "SELECT max(plan_id) FROM plan_edits WHERE from_plan_id=?",
                           current_of(*store_, state));
    if (!next) return nothing_to("make again");
    set_current_plan(*store_, state, next);
    return next;
  });
}

Result<std::vector<PlanEdit>> Book::edits(Id state) {
  return store_->read([&]() -> Result<std::vector<PlanEdit>> {
    std::vector<PlanEdit> list;
    SQLite::Statement s(
        store_->db(),
        "SELECT e.id, e.plan_id, e.from_plan_id, coalesce(e.changes, ''), e.what, "
        "coalesce(e.made_at, '') FROM plan_edits e JOIN plans p ON p.id = e.plan_id "
        "WHERE p.state_id=? ORDER BY e.id");
    s.bind(1, state);
    while (s.executeStep()) {
      list.push_back({s.getColumn(0).getInt64(),
                      s.getColumn(1).getInt64(),
                      s.getColumn(2).getInt64(),
                      s.getColumn(3).getString(),
                      s.getColumn(4).getString(),
                      s.getColumn(5).getString()});
    }
    return list;
  });
}

}  // namespace rebite::book

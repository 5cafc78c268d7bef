#include <fmt/format.h>

#include <cmath>

#include "book/book.h"
#include "book/rows.h"
#include "book/store.h"
#include "files/files.h"

namespace rebite::book {
namespace {

Value number(const std::optional<int>& v) {
  return v ? Value(static_cast<std::int64_t>(*v)) : Value();
}
Value whole(int v) { return static_cast<std::int64_t>(v); }

Id add_scan(Store& store, const ScanRecord& scan) {
  return store.insert("scans",
                      {{"path", scan.path},
                       {"sha256", scan.sha256},
                       {"bytes", scan.bytes},
                       {"preview", scan.preview.empty() ? Value() : Value(Blob{scan.preview})}});
}

Id add_state_row(Store& store, const State& s) {
  const Value drawing = s.drawing ? Value(add_scan(store, *s.drawing)) : Value();
  const Id id = store.insert("states",
                             {{"plate_id", s.plate},
                              {"number", whole(s.number)},
                              {"date", s.date},
                              {"impressions_printed", number(s.impressions_printed)},
                              {"note", s.note},
                              {"drawing_id", drawing},
                              {"alignment", or_null(s.alignment)}});
  int place = 0;
  for (const auto& proof : s.proofs) {
    const Id scan = add_scan(store, proof);
    store.insert("proofs", {{"state_id", id}, {"scan_id", scan}, {"place", whole(++place)}});
  }
  return id;
}

void insert_prediction(Store& store, Id plan, const Prediction& p) {
  store.insert("predictions",
               {{"plan_id", plan},
                {"region", whole(p.region)},
                {"action", p.action},
                {"area_mm2", p.area_mm2},
                {"minutes", p.minutes},
                {"stage", whole(p.stage)},
                {"density_now", p.now},
                {"density_now_sd", p.now_sd},
                {"density_target", p.target},
                {"density_predicted", p.predicted},
                {"density_predicted_sd", p.predicted_sd}});
}

bool was_edited(Store& store, Id state) {
  SQLite::Statement s(store.db(), "SELECT 1 FROM current_plans WHERE state_id=?");
  s.bind(1, state);
  return s.executeStep();
}

void reach(Store& store, Id state, const std::vector<Prediction>& reached) {
  for (const auto& p : reached) {
    if (!p.reached || !p.reached_sd) continue;
    SQLite::Statement find(store.db(), "SELECT id FROM predictions WHERE plan_id=? AND region=?");
    find.bind(1, p.plan);
    find.bind(2, p.region);
    if (!find.executeStep()) continue;
    store.update("predictions",
                 find.getColumn(0).getInt64(),
                 {{"density_reached", *p.reached},
                  {"density_reached_sd", *p.reached_sd},
                  {"reached_state_id", state}});
  }
}

}  // namespace

Id insert_plan(Store& store, const PlanRecord& p, const std::vector<Prediction>& predictions) {
  const Id plan =
      store.insert("plans",
                   {{"state_id", p.state},
                    {"wedge_id", or_null(p.wedge)},
                    {"ground_id", or_null(p.ground)},
                    {"temperature_c", or_null(p.temperature_c)},
                    {"temperature_factor", p.temperature_factor},
                    {"temperature_ln_sd", p.temperature_ln_sd},
                    {"kept_ground", whole(p.kept_ground ? 1 : 0)},
                    {"speed", p.speed},
                    {"speed_ln_sd", p.speed_ln_sd},
                    {"made_on", or_null(p.made_on)},
                    {"text", p.text},
                    {"regions_png", p.regions_png.empty() ? Value() : Value(Blob{p.regions_png})},
                    {"px_per_mm", p.px_per_mm}});
  for (const auto& prediction : predictions) insert_prediction(store, plan, prediction);
  return plan;
}

Id insert_bite(Store& store, const Bite& b) {
  return store.insert("bites",
                      {{"state_id", b.state},
                       {"stage", whole(b.stage)},
                       {"minutes", b.minutes},
                       {"temperature_c", or_null(b.temperature_c)},
                       {"batch_id", or_null(b.batch)},
                       {"done_on", or_null(b.done_on)},
                       {"note", b.note}});
}

Result<void> Book::together(const std::function<Result<void>()>& work) {
  return store_->write([&] { return work(); });
}

Result<Id> Book::add_plate(const Plate& p) {
  if (p.title.find_first_not_of(" \t\r\n") == std::string::npos || p.title.size() > 200) {
    return refuse(ProblemKind::usage,
                  p.title.size() > 200 ? "The plate's name is longer than 200 letters"
                                       : "The plate has no name",
                  "Call it as you would write it on its wrapper.");
  }
  return store_->write([&]() -> Result<Id> {
    SQLite::Statement same(
        store_->db(), "SELECT title FROM plates WHERE trim(title) = trim(?) COLLATE NOCASE");
    same.bind(1, p.title);
    if (same.executeStep()) {
      return refuse(
          ProblemKind::data,
          fmt::format("The book already has a plate named '{}'", same.getColumn(0).getString()),
          "Give this one another title.");
    }
    return store_->insert("plates",
                          {{"title", p.title},
                           {"metal", p.metal},
                           {"width_mm", p.size.width},
                           {"height_mm", p.size.height},
                           {"thickness_mm", or_null(p.thickness_mm)},
                           {"note", p.note}});
  });
}

Result<Id> Book::add_batch(const MordantBatch& b) {
  return store_->write([&]() -> Result<Id> {
    return store_->insert("batches",
                          {{"name", b.name},
                           {"mordant", b.mordant},
                           {"strength", b.strength},
                           {"mixed_on", or_null(b.mixed_on)},
                           {"volume_l", or_null(b.volume_l)}});
  });
}

Result<void> Book::complete_batch(const MordantBatch& b) {
  return store_->write([&]() -> Result<void> {
    Columns known;
    if (!b.mordant.empty()) known.push_back({"mordant", b.mordant});
    if (!b.strength.empty()) known.push_back({"strength", b.strength});
    if (!b.mixed_on.empty()) known.push_back({"mixed_on", b.mixed_on});
    if (b.volume_l) known.push_back({"volume_l", *b.volume_l});
    if (!known.empty()) store_->update("batches", b.id, known);
    return {};
  });
}

Result<Id> Book::add_ground(const GroundRecord& g) {
  return store_->write([&]() -> Result<Id> {
    SQLite::Statement same(store_->db(), "SELECT id FROM grounds WHERE name=?");
    same.bind(1, g.name);
    if (!same.executeStep()) return store_->insert("grounds", {{"name", g.name}, {"note", g.note}});
    const Id id = same.getColumn(0).getInt64();
    same.reset();
    if (!g.note.empty()) store_->update("grounds", id, {{"note", g.note}});
    return id;
  });
}

Result<Id> Book::add_wedge(const WedgeRecord& w) {
  const std::string sha = files::sha256(w.text);
  return store_->write([&]() -> Result<Id> {
    SQLite::Statement same(store_->db(), "SELECT id FROM wedges WHERE batch_id=? AND sha256=?");
    same.bind(1, w.batch);
    same.bind(2, sha);
    if (same.executeStep()) return Id{same.getColumn(0).getInt64()};
    return store_->insert("wedges",
                          {{"batch_id", w.batch},
                           {"bitten_on", or_null(w.bitten_on)},
                           {"sha256", sha},
                           {"text", w.text}});
  });
}

Result<Id> Book::add_state(const State& s, const std::vector<Prediction>& reached) {
  return store_->write([&]() -> Result<Id> {
    SQLite::Statement same(store_->db(), "SELECT 1 FROM states WHERE plate_id=? AND number=?");
    same.bind(1, s.plate);
    same.bind(2, s.number);
    if (same.executeStep()) {
      return refuse(ProblemKind::data,
                    fmt::format("State {} of this plate is in the book already", s.number),
                    "Leave --number out to record the next state.");
    }
    const Id id = add_state_row(*store_, s);
    reach(*store_, id, reached);
    return id;
  });
}

Result<Id> Book::add_bite(const Bite& b) {
  return store_->write([&]() -> Result<Id> { return insert_bite(*store_, b); });
}

Result<Id> Book::add_lowering(const Lowering& l) {
  return store_->write([&]() -> Result<Id> {
    return store_->insert("lowerings",
                          {{"state_id", l.state},
                           {"region", l.region ? whole(l.region) : Value()},
                           {"how", l.how},
                           {"done_on", or_null(l.done_on)},
                           {"note", l.note}});
  });
}

namespace {

Result<void> strike(Store& store, const char* table, const char* column, Id row, const StruckOut& s) {
  return store.write([&]() -> Result<void> {
    const auto found = [&](const std::string& in, const std::string& key) {
      SQLite::Statement look(store.db(), "SELECT 1 FROM " + in + " WHERE " + key + "=?");
      look.bind(1, row);
      return look.executeStep();
    };
    if (!found(table, "id")) {
      return refuse(ProblemKind::data, "That entry is not in the book", "Nothing was changed.");
    }
    if (found("struck_out", column)) {
      return refuse(ProblemKind::data,
                    "That entry is struck out already",
                    "Enter what was really done as a new one.");
    }
    store.insert("struck_out", {{column, row}, {"struck_on", or_null(s.on)}, {"why", s.why}});
    return {};
  });
}

}  // namespace

Result<void> Book::strike_bite(Id bite, const StruckOut& s) {
  return strike(*store_, "bites", "bite_id", bite, s);
}
Result<void> Book::strike_lowering(Id lowering, const StruckOut& s) {
  return strike(*store_, "lowerings", "lowering_id", lowering, s);
}

Result<std::pair<Id, Id>> Book::add_planned(const Planned& p) {
  return store_->write([&]() -> Result<std::pair<Id, Id>> {
    const Id state = p.state.id ? p.state.id : add_state_row(*store_, p.state);
    PlanRecord plan = p.plan;
    plan.state = state;
    const Id id = insert_plan(*store_, plan, p.predictions);
    // A plan made anew takes the place of one that was changed by hand.
    if (was_edited(*store_, state)) set_current_plan(*store_, state, id);
    reach(*store_, state, p.reached);
    return std::pair{state, id};
  });
}

}  // namespace rebite::book

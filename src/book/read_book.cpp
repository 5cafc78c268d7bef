#include <fmt/format.h>

#include <map>

#include "book/book.h"
#include "book/rows.h"
#include "book/store.h"
#include "files/files.h"

namespace rebite::book {
namespace {

std::optional<double> maybe(const SQLite::Column& c) {
  return c.isNull() ? std::nullopt : std::optional(c.getDouble());
}
Id id_of(const SQLite::Column& c) { return c.isNull() ? 0 : c.getInt64(); }
std::string bytes(const SQLite::Column& c) {
  if (c.isNull() || c.getBytes() == 0) return {};
  return {static_cast<const char*>(c.getBlob()), static_cast<std::size_t>(c.getBytes())};
}

constexpr const char* plate_columns =
    "p.id, p.title, p.metal, p.width_mm, p.height_mm, p.thickness_mm, p.note";
Plate plate_of(SQLite::Statement& s) {
  return {s.getColumn(0).getInt64(),
          text(s.getColumn(1)),
          text(s.getColumn(2)),
          {s.getColumn(3).getDouble(), s.getColumn(4).getDouble()},
          maybe(s.getColumn(5)),
          text(s.getColumn(6))};
}

// States of a plate, all or one, with their scans.
std::vector<State> states_where(Store& store, const std::string& where, Id key, bool pictures) {
  std::vector<State> states;
  std::map<Id, std::size_t> place;
  const std::string picture = pictures ? "d.preview" : "NULL";
  SQLite::Statement s(
      store.db(),
      fmt::format("SELECT s.id, s.plate_id, s.number, s.date, s.impressions_printed, s.note, "
                  "s.alignment, d.path, d.sha256, d.bytes, {} FROM states s "
                  "LEFT JOIN scans d ON d.id = s.drawing_id WHERE {} ORDER BY s.number",
                  picture,
                  where));
  s.bind(1, key);
  while (s.executeStep()) {
    State state;
    state.id = s.getColumn(0).getInt64();
    state.plate = s.getColumn(1).getInt64();
    state.number = s.getColumn(2).getInt();
    state.date = text(s.getColumn(3));
    if (!s.getColumn(4).isNull()) state.impressions_printed = s.getColumn(4).getInt();
    state.note = text(s.getColumn(5));
    state.alignment = text(s.getColumn(6));
    if (!s.getColumn(7).isNull()) {
      state.drawing = ScanRecord{text(s.getColumn(7)),
                                 text(s.getColumn(8)),
                                 s.getColumn(9).getInt64(),
                                 bytes(s.getColumn(10))};
    }
    place[state.id] = states.size();
    states.push_back(std::move(state));
  }
  SQLite::Statement p(
      store.db(),
      fmt::format("SELECT f.state_id, d.path, d.sha256, d.bytes, {} FROM states s "
                  "JOIN proofs f ON f.state_id = s.id JOIN scans d ON d.id = f.scan_id "
                  "WHERE {} ORDER BY f.state_id, f.place",
                  picture,
                  where));
  p.bind(1, key);
  while (p.executeStep()) {
    const auto found = place.find(p.getColumn(0).getInt64());
    if (found == place.end()) continue;
    states[found->second].proofs.push_back({text(p.getColumn(1)),
                                            text(p.getColumn(2)),
                                            p.getColumn(3).getInt64(),
                                            bytes(p.getColumn(4))});
  }
  return states;
}

std::vector<PlanRecord> plans_where(
    Store& store, const std::string& where, Id key, bool texts, bool picture) {
  std::vector<PlanRecord> plans;
  SQLite::Statement s(
      store.db(),
      fmt::format("SELECT p.id, p.state_id, p.wedge_id, p.ground_id, p.temperature_c, "
                  "p.temperature_factor, p.temperature_ln_sd, p.kept_ground, p.speed, "
                  "p.speed_ln_sd, p.made_on, {}, {}, p.px_per_mm, p.id = {} FROM states s JOIN "
                  "plans p ON p.state_id = s.id {}",
                  texts ? "p.text" : "NULL",
                  picture ? "p.regions_png" : "NULL",
                  current_plan_of("s.id"),
                  where));
  s.bind(1, key);
  while (s.executeStep()) {
    PlanRecord p;
    p.id = s.getColumn(0).getInt64();
    p.state = s.getColumn(1).getInt64();
    p.wedge = id_of(s.getColumn(2));
    p.ground = id_of(s.getColumn(3));
    p.temperature_c = maybe(s.getColumn(4));
    p.temperature_factor = s.getColumn(5).getDouble();
    p.temperature_ln_sd = s.getColumn(6).getDouble();
    p.kept_ground = s.getColumn(7).getInt() != 0;
    p.speed = s.getColumn(8).getDouble();
    p.speed_ln_sd = s.getColumn(9).getDouble();
    p.made_on = text(s.getColumn(10));
    p.text = text(s.getColumn(11));
    p.regions_png = bytes(s.getColumn(12));
    p.px_per_mm = s.getColumn(13).getDouble();
    p.current = s.getColumn(14).getInt() != 0;
    plans.push_back(std::move(p));
  }
  return plans;
}

// One plan, whole. A plan changed by hand without a picture of its own has that of the plan before.
std::optional<PlanRecord> whole_plan(Store& store, const std::string& where, Id key) {
  auto found = plans_where(store, where, key, true, true);
  if (found.empty()) return {};
  PlanRecord plan = std::move(found.front());
  Id at = plan.id;
  while (plan.regions_png.empty()) {
    SQLite::Statement s(store.db(),
                        "SELECT p.id, p.regions_png, p.px_per_mm FROM plan_edits e JOIN plans p ON "
                        "p.id = e.from_plan_id WHERE e.plan_id=?");
    s.bind(1, at);
    if (!s.executeStep()) break;
    // A damaged book could lead in a circle: plans are only ever made from earlier ones.
    if (s.getColumn(0).getInt64() >= at) break;
    at = s.getColumn(0).getInt64();
    plan.regions_png = bytes(s.getColumn(1));
    plan.px_per_mm = s.getColumn(2).getDouble();
  }
  return plan;
}

std::vector<Prediction> predictions_where(Store& store, const std::string& where, Id key) {
  std::vector<Prediction> list;
  SQLite::Statement s(
      store.db(),
      "SELECT r.plan_id, r.region, r.action, r.area_mm2, r.minutes, r.stage, r.density_now, "
      "r.density_now_sd, r.density_target, r.density_predicted, r.density_predicted_sd, "
      "r.density_reached, r.density_reached_sd, r.reached_state_id FROM predictions r " +
          where + " ORDER BY r.plan_id, r.region");
  s.bind(1, key);
  while (s.executeStep()) {
    list.push_back({s.getColumn(0).getInt64(),
                    s.getColumn(1).getInt(),
                    text(s.getColumn(2)),
                    s.getColumn(3).getDouble(),
                    s.getColumn(4).getDouble(),
                    s.getColumn(5).getInt(),
                    s.getColumn(6).getDouble(),
                    s.getColumn(7).getDouble(),
                    s.getColumn(8).getDouble(),
                    s.getColumn(9).getDouble(),
                    s.getColumn(10).getDouble(),
                    maybe(s.getColumn(11)),
                    maybe(s.getColumn(12)),
                    id_of(s.getColumn(13))});
  }
  return list;
}

// "The book has: a, b." for a name that it does not have.
std::string names_in(Store& store, const std::string& table, const std::string& column) {
  SQLite::Statement s(store.db(),
                      fmt::format("SELECT {0} FROM {1} ORDER BY id DESC LIMIT 8", column, table));
  std::string names;
  while (s.executeStep()) names += (names.empty() ? "" : ", ") + text(s.getColumn(0));
  return names.empty() ? "The book has none yet." : fmt::format("The book has: {}.", names);
}

}  // namespace

Result<std::vector<PlateLine>> Book::plates() {
  return store_->read([&]() -> Result<std::vector<PlateLine>> {
    std::vector<PlateLine> list;
    SQLite::Statement s(
        store_->db(),
        fmt::format("SELECT {}, count(s.id), coalesce(max(s.number), 0), coalesce(max(s.date), '') "
                    "FROM plates p LEFT JOIN states s ON s.plate_id = p.id GROUP BY p.id "
                    "ORDER BY p.id",
                    plate_columns));
    while (s.executeStep()) {
      list.push_back(
          {plate_of(s), s.getColumn(7).getInt(), s.getColumn(8).getInt(), text(s.getColumn(9))});
    }
    return list;
  });
}

Result<Plate> Book::plate(const std::string& title) {
  return store_->read([&]() -> Result<Plate> {
    // As it is written; else "lock" is the plate "Lock".
    SQLite::Statement s(store_->db(),
                        fmt::format("SELECT {} FROM plates p WHERE trim(p.title) = trim(?1) COLLATE "
                                    "NOCASE ORDER BY p.title = ?1 DESC, p.id LIMIT 1",
                                    plate_columns));
    s.bind(1, title);
    if (s.executeStep()) return plate_of(s);
    return refuse(ProblemKind::data,
                  fmt::format("{}: has no plate '{}'", files::shown(file()), title),
                  names_in(*store_, "plates", "title") + " rebite book plate adds one.");
  });
}

Result<std::vector<MordantBatch>> Book::batches() {
  return store_->read([&]() -> Result<std::vector<MordantBatch>> {
    std::vector<MordantBatch> list;
    SQLite::Statement s(
        store_->db(),
        "SELECT id, name, mordant, strength, mixed_on, volume_l FROM batches ORDER BY id");
    while (s.executeStep()) {
      list.push_back({s.getColumn(0).getInt64(),
                      text(s.getColumn(1)),
                      text(s.getColumn(2)),
                      text(s.getColumn(3)),
                      text(s.getColumn(4)),
                      maybe(s.getColumn(5))});
    }
    return list;
  });
}

Result<MordantBatch> Book::batch(const std::string& name) {
  const auto all = batches();
  if (!all) return std::unexpected(all.error());
  for (const auto& b : *all) {
    if (b.name == name) return b;
  }
  return store_->read([&]() -> Result<MordantBatch> {
    return refuse(ProblemKind::data,
                  fmt::format("{}: has no batch '{}'", files::shown(file()), name),
                  names_in(*store_, "batches", "name") + " rebite book batch adds one.");
  });
}

Result<std::vector<GroundRecord>> Book::grounds() {
  return store_->read([&]() -> Result<std::vector<GroundRecord>> {
    std::vector<GroundRecord> list;
    SQLite::Statement s(store_->db(), "SELECT id, name, note FROM grounds ORDER BY id");
    while (s.executeStep()) {
      list.push_back({s.getColumn(0).getInt64(), text(s.getColumn(1)), text(s.getColumn(2))});
    }
    return list;
  });
}

Result<std::vector<WedgeRecord>> Book::wedges(Id batch) {
  return store_->read([&]() -> Result<std::vector<WedgeRecord>> {
    std::vector<WedgeRecord> list;
    SQLite::Statement s(
        store_->db(),
        "SELECT id, batch_id, bitten_on, text FROM wedges WHERE batch_id=? ORDER BY id");
    s.bind(1, batch);
    while (s.executeStep()) {
      list.push_back({s.getColumn(0).getInt64(),
                      s.getColumn(1).getInt64(),
                      text(s.getColumn(2)),
                      text(s.getColumn(3))});
    }
    return list;
  });
}

Result<std::optional<State>> Book::last_state(Id plate) {
  return store_->read([&]() -> Result<std::optional<State>> {
    auto found =
        states_where(*store_,
                     "s.id = (SELECT id FROM states WHERE plate_id=? ORDER BY number DESC LIMIT 1)",
                     plate,
                     false);
    if (found.empty()) return std::optional<State>();
    return std::optional(std::move(found.front()));
  });
}

Result<std::optional<State>> Book::state(Id plate, int number) {
  return store_->read([&]() -> Result<std::optional<State>> {
    auto found =
        states_where(*store_, fmt::format("s.plate_id=? AND s.number={}", number), plate, false);
    if (found.empty()) return std::optional<State>();
    return std::optional(std::move(found.front()));
  });
}

Result<std::optional<PlanRecord>> Book::last_plan(Id plate) {
  return store_->read([&]() -> Result<std::optional<PlanRecord>> {
    return whole_plan(*store_,
                      "WHERE s.plate_id=? AND p.id = " + current_plan_of("s.id") +
                          " ORDER BY s.number DESC LIMIT 1",
                      plate);
  });
}

Result<std::optional<PlanRecord>> Book::current_plan(Id state) {
  return store_->read([&]() -> Result<std::optional<PlanRecord>> {
    return whole_plan(*store_, "WHERE s.id=? AND p.id = " + current_plan_of("s.id"), state);
  });
}

Result<std::optional<PlanRecord>> Book::plan(Id plan) {
  return store_->read([&]() -> Result<std::optional<PlanRecord>> {
    return whole_plan(*store_, "WHERE p.id=?", plan);
  });
}

Result<std::vector<Prediction>> Book::predictions(Id plan) {
  return store_->read([&]() -> Result<std::vector<Prediction>> {
    return predictions_where(*store_, "WHERE r.plan_id=?", plan);
  });
}

Result<Story> Book::story(Id plate, bool with_pictures) {
  return store_->read([&]() -> Result<Story> {
    Story story;
    SQLite::Statement s(store_->db(),
                        fmt::format("SELECT {} FROM plates p WHERE p.id=?", plate_columns));
    s.bind(1, plate);
    if (s.executeStep()) story.plate = plate_of(s);
    story.states = states_where(*store_, "s.plate_id=?", plate, with_pictures);
    story.plans =
        plans_where(*store_, "WHERE s.plate_id=? ORDER BY s.number, p.id", plate, false, false);
    story.bites =
        bites_where(*store_, "JOIN states s ON s.id = b.state_id WHERE s.plate_id=?", plate);
    story.predictions = predictions_where(*store_,
                                          "JOIN plans p ON p.id = r.plan_id JOIN states s ON "
                                          "s.id = p.state_id WHERE s.plate_id=?",
                                          plate);
    SQLite::Statement l(store_->db(),
                        "SELECT l.id, l.state_id, l.region, l.how, l.done_on, l.note, x.id, "
                        "x.struck_on, x.why FROM lowerings l JOIN states s ON s.id = l.state_id "
                        "LEFT JOIN struck_out x ON x.lowering_id = l.id WHERE s.plate_id=? "
                        "ORDER BY l.state_id, l.id");
    l.bind(1, plate);
    while (l.executeStep()) {
      story.lowerings.push_back({l.getColumn(0).getInt64(),
                                 l.getColumn(1).getInt64(),
                                 l.getColumn(2).isNull() ? 0 : l.getColumn(2).getInt(),
                                 text(l.getColumn(3)),
                                 text(l.getColumn(4)),
                                 text(l.getColumn(5)),
                                 struck_of(l, 6)});
    }
    return story;
  });
}

Result<std::vector<BatchUse>> Book::uses(Id batch) {
  return store_->read([&]() -> Result<std::vector<BatchUse>> {
    std::vector<BatchUse> list;
    auto plans = plans_where(*store_,
                             "JOIN wedges w ON w.id = p.wedge_id WHERE w.batch_id=? AND p.id = " +
                                 current_plan_of("s.id") + " ORDER BY s.date, p.id",
                             batch,
                             false,
                             false);
    for (auto& plan : plans) {
      BatchUse use;
      SQLite::Statement s(store_->db(),
                          "SELECT p.title, s.number, s.date FROM states s JOIN plates p ON p.id = "
                          "s.plate_id WHERE s.id=?");
      s.bind(1, plan.state);
      if (s.executeStep()) {
        use.plate_title = text(s.getColumn(0));
        use.state_number = s.getColumn(1).getInt();
        use.date = text(s.getColumn(2));
      }
      use.predictions = predictions_where(*store_, "WHERE r.plan_id=?", plan.id);
      use.bites = bites_where(*store_, "WHERE b.state_id=?", plan.state);
      use.plan = std::move(plan);
      list.push_back(std::move(use));
    }
    return list;
  });
}

Result<std::vector<ScanRecord>> Book::scans() {
  return store_->read([&]() -> Result<std::vector<ScanRecord>> {
    std::vector<ScanRecord> list;
    SQLite::Statement s(store_->db(), "SELECT path, sha256, bytes FROM scans ORDER BY id");
    while (s.executeStep()) {
      list.push_back({text(s.getColumn(0)), text(s.getColumn(1)), s.getColumn(2).getInt64(), {}});
    }
    return list;
  });
}

}  // namespace rebite::book

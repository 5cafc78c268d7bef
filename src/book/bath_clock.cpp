// The bath clock: a dip that is running, kept in the book.
#include <fmt/format.h>

#include <algorithm>
#include <map>

#include "book/book.h"
#include "book/rows.h"
#include "book/store.h"

namespace rebite::book {

namespace {

double minutes_until(const BathClock& clock, WallMs until) {
  WallMs in = until - clock.started;
  for (const auto& pause : clock.pauses) {
    const WallMs from = std::min(pause.from, until);
    in -= std::max<WallMs>(0, std::min(pause.to.value_or(until), until) - from);
  }
  return static_cast<double>(std::max<WallMs>(0, in)) / 60000;
}

}  // namespace

double BathClock::minutes_in_bath(WallMs now) const {
  return minutes_until(*this, ended.value_or(std::max(now, started)));
}

std::vector<std::pair<double, std::optional<double>>> BathClock::minutes_by_temperature(
    WallMs now) const {
  const WallMs end = ended.value_or(std::max(now, started));
  std::vector<std::pair<double, std::optional<double>>> parts;
  double before = 0;
  auto celsius = temperature_c;
  const auto part_until = [&](WallMs at) {
    const double minutes = std::max(before, minutes_until(*this, std::min(at, end)));
    parts.emplace_back(minutes - before, celsius);
    before = minutes;
  };
  for (const auto& reading : readings) {
    part_until(reading.at);
    celsius = reading.celsius;
  }
  part_until(end);
  return parts;
}

std::optional<double> BathClock::pulled_late_minutes() const {
  if (!ended || planned_minutes <= 0) return {};
  return minutes_in_bath(*ended) - planned_minutes;
}

namespace {

std::optional<WallMs> moment(const SQLite::Column& c) {
  return c.isNull() ? std::nullopt : std::optional(WallMs{c.getInt64()});
}
Id id_of(const SQLite::Column& c) { return c.isNull() ? 0 : c.getInt64(); }

std::vector<BathClock> clocks_where(Store& store, const std::string& where, Id key) {
  std::vector<BathClock> list;
  std::map<Id, std::size_t> place;
  SQLite::Statement s(store.db(),
                      "SELECT c.id, c.state_id, c.plan_id, c.stage, c.planned_minutes, "
                      "c.temperature_c, c.batch_id, c.started_ms, c.ended_ms, c.bite_id, c.note "
                      "FROM bath_clocks c WHERE " +
                          where + " ORDER BY c.id");
  if (key) s.bind(1, key);
  while (s.executeStep()) {
    BathClock c;
    c.id = s.getColumn(0).getInt64();
    c.state = s.getColumn(1).getInt64();
    c.plan = id_of(s.getColumn(2));
    c.stage = s.getColumn(3).getInt();
    if (!s.getColumn(4).isNull()) c.planned_minutes = s.getColumn(4).getDouble();
    if (!s.getColumn(5).isNull()) c.temperature_c = s.getColumn(5).getDouble();
    c.batch = id_of(s.getColumn(6));
    c.started = s.getColumn(7).getInt64();
    c.ended = moment(s.getColumn(8));
    c.bite = id_of(s.getColumn(9));
    c.note = s.getColumn(10).getString();
    place[c.id] = list.size();
    list.push_back(std::move(c));
  }
  SQLite::Statement p(store.db(),
                      "SELECT p.clock_id, p.from_ms, p.to_ms FROM bath_clocks c JOIN bath_pauses p "
                      "ON p.clock_id = c.id WHERE " +
                          where + " ORDER BY p.id");
  if (key) p.bind(1, key);
  while (p.executeStep()) {
    list[place.at(p.getColumn(0).getInt64())].pauses.push_back(
        {p.getColumn(1).getInt64(), moment(p.getColumn(2))});
  }
  SQLite::Statement t(store.db(),
                      "SELECT t.clock_id, t.at_ms, t.temperature_c FROM bath_clocks c JOIN "
                      "bath_temperatures t ON t.clock_id = c.id WHERE " +
                          where + " ORDER BY t.id");
  if (key) t.bind(1, key);
  while (t.executeStep()) {
    TemperatureReading reading{t.getColumn(1).getInt64(), {}};
    if (!t.getColumn(2).isNull()) reading.celsius = t.getColumn(2).getDouble();
    list[place.at(t.getColumn(0).getInt64())].readings.push_back(reading);
  }
  return list;
}

std::unexpected<Problem> does_not_fit(const char* what) {
  return refuse(ProblemKind::data,
                fmt::format("The bath clock {}", what),
                "Look at the clock as it is now; another window may have changed it.");
}

Result<BathClock> running_clock(Store& store, Id id) {
  auto found = clocks_where(store, "c.id=?1", id);
  if (id == 0 || found.empty()) return does_not_fit("is not in the book");
  if (!found.front().running()) return does_not_fit("has ended already");
  return std::move(found.front());
}

// A wall clock may be set back: nothing happens before what happened last.
WallMs not_before_last(const BathClock& c, WallMs at) {
  at = std::max(at, c.started);
  if (!c.pauses.empty()) at = std::max(at, c.pauses.back().to.value_or(c.pauses.back().from));
  if (!c.readings.empty()) at = std::max(at, c.readings.back().at);
  return at;
}

// Over the minutes of known temperature; empty: none was known.
std::optional<double> mean_temperature(const BathClock& c, WallMs end) {
  double sum = 0, known = 0;
  for (const auto& [minutes, celsius] : c.minutes_by_temperature(end)) {
    if (celsius) sum += minutes * *celsius, known += minutes;
  }
  return known > 0 ? std::optional(sum / known) : c.latest_temperature();
}

// Closes an open pause at `at`. Inside a transaction only.
void close_pause(Store& store, Id clock, WallMs at) {
  SQLite::Statement open(store.db(),
                         "SELECT id FROM bath_pauses WHERE clock_id=? AND to_ms IS NULL");
  open.bind(1, clock);
  if (!open.executeStep()) return;
  const Id row = open.getColumn(0).getInt64();
  open.reset();
  store.update("bath_pauses", row, {{"to_ms", at}});
}

}  // namespace

Result<Id> Book::start_clock(const BathClock& c) {
  return store_->write([&]() -> Result<Id> {
    if (!clocks_where(*store_, "c.state_id=?1 AND c.ended_ms IS NULL", c.state).empty()) {
      return refuse(ProblemKind::data,
                    "A bath clock is running for this plate already",
                    "Pull the plate, or call that clock off, before the next dip.");
    }
    return store_->insert(
        "bath_clocks",
        {{"state_id", c.state},
         {"plan_id", or_null(c.plan)},
         {"stage", static_cast<std::int64_t>(c.stage)},
         {"planned_minutes", c.planned_minutes > 0 ? Value(c.planned_minutes) : Value()},
         {"temperature_c", or_null(c.temperature_c)},
         {"batch_id", or_null(c.batch)},
         {"started_ms", c.started},
         {"note", c.note}});
  });
}

Result<void> Book::pause_clock(Id clock, WallMs at) {
  return store_->write([&]() -> Result<void> {
    const auto c = running_clock(*store_, clock);
    if (!c) return std::unexpected(c.error());
    if (c->paused()) return does_not_fit("is paused already");
    store_->insert("bath_pauses", {{"clock_id", clock}, {"from_ms", not_before_last(*c, at)}});
    return {};
  });
}

Result<void> Book::resume_clock(Id clock, WallMs at) {
  return store_->write([&]() -> Result<void> {
    const auto c = running_clock(*store_, clock);
    if (!c) return std::unexpected(c.error());
    if (!c->paused()) return does_not_fit("is not paused");
    close_pause(*store_, clock, not_before_last(*c, at));
    return {};
  });
}

Result<void> Book::read_temperature(Id clock, WallMs at, std::optional<double> celsius) {
  return store_->write([&]() -> Result<void> {
    const auto c = running_clock(*store_, clock);
    if (!c) return std::unexpected(c.error());
    store_->insert("bath_temperatures",
                   {{"clock_id", clock},
                    {"at_ms", not_before_last(*c, at)},
                    {"temperature_c", or_null(celsius)}});
    return {};
  });
}

Result<Id> Book::pull(Id clock, WallMs at, const std::string& done_on, const std::string& note) {
  return store_->write([&]() -> Result<Id> {
    const auto c = running_clock(*store_, clock);
    if (!c) return std::unexpected(c.error());
    const WallMs end = not_before_last(*c, at);
    const double minutes = c->minutes_in_bath(end);
    if (minutes <= 0) {
      return refuse(ProblemKind::data,
                    "The plate was in the bath for no time at all",
                    "Call the clock off instead, or let it run.");
    }
    close_pause(*store_, clock, end);
    const Id bite = insert_bite(
        *store_,
        {0, c->state, c->stage, minutes, mean_temperature(*c, end), c->batch, done_on, note});
    Columns ended{{"ended_ms", end}, {"bite_id", bite}};
    if (!note.empty()) ended.push_back({"note", note});
    store_->update("bath_clocks", clock, ended);
    return bite;
  });
}

Result<void> Book::call_off_clock(Id clock, WallMs at, const std::string& note) {
  return store_->write([&]() -> Result<void> {
    const auto c = running_clock(*store_, clock);
    if (!c) return std::unexpected(c.error());
    const WallMs end = not_before_last(*c, at);
    close_pause(*store_, clock, end);
    Columns ended{{"ended_ms", end}};
    if (!note.empty()) ended.push_back({"note", note});
    store_->update("bath_clocks", clock, ended);
    return {};
  });
}

Result<std::vector<BathClock>> Book::running_clocks() {
  return store_->read([&]() -> Result<std::vector<BathClock>> {
    return clocks_where(*store_, "c.ended_ms IS NULL", 0);
  });
}

Result<std::vector<BathClock>> Book::clocks(Id state) {
  return store_->read([&]() -> Result<std::vector<BathClock>> {
    return clocks_where(*store_, "c.state_id=?1", state);
  });
}

}  // namespace rebite::book

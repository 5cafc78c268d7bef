#include "book/schema.h"

#include <fmt/format.h>

#include <array>

#include "files/files.h"

namespace rebite::book {
namespace {

// NULL means "not known". Every range here is a range of the trade, not of the type: a slip of the
// pen (minutes for seconds, inches for mm) stops at the door. A NaN is bound as NULL by SQLite, so
// NOT NULL refuses it.
constexpr const char* version_1 = R"sql(
CREATE TABLE plates (
  id INTEGER PRIMARY KEY,
  title TEXT NOT NULL UNIQUE CHECK (length(title) BETWEEN 1 AND 200),
  metal TEXT NOT NULL,
  width_mm REAL NOT NULL CHECK (width_mm BETWEEN 5 AND 2000),
  height_mm REAL NOT NULL CHECK (height_mm BETWEEN 5 AND 2000),
  thickness_mm REAL CHECK (thickness_mm BETWEEN 0.1 AND 20),
  note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE batches (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE CHECK (length(name) BETWEEN 1 AND 200),
  mordant TEXT NOT NULL,
  strength TEXT NOT NULL,
  mixed_on TEXT CHECK (mixed_on IS date(mixed_on, '+0 days')),
  volume_l REAL CHECK (volume_l BETWEEN 0.01 AND 1000)
) STRICT;
CREATE TABLE wedges (
  id INTEGER PRIMARY KEY,
  batch_id INTEGER NOT NULL REFERENCES batches(id),
  bitten_on TEXT,
  sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
  text TEXT NOT NULL CHECK (json_valid(text)),
  UNIQUE (batch_id, sha256)
) STRICT;
CREATE TABLE grounds (
  id INTEGER PRIMARY KEY,
  name TEXT NOT NULL UNIQUE CHECK (length(name) BETWEEN 1 AND 200),
  note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE scans (
  id INTEGER PRIMARY KEY,
  path TEXT NOT NULL CHECK (length(path) > 0),
  sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
  bytes INTEGER NOT NULL CHECK (bytes >= 0),
  preview BLOB
) STRICT;
CREATE TABLE states (
  id INTEGER PRIMARY KEY,
  plate_id INTEGER NOT NULL REFERENCES plates(id),
  number INTEGER NOT NULL CHECK (number BETWEEN 1 AND 100000),
  date TEXT NOT NULL CHECK (date IS date(date, '+0 days')),
  impressions_printed INTEGER CHECK (impressions_printed BETWEEN 0 AND 100000),
  note TEXT NOT NULL DEFAULT '',
  drawing_id INTEGER REFERENCES scans(id),
  alignment TEXT CHECK (alignment IS NULL OR json_valid(alignment)),
  UNIQUE (plate_id, number)
) STRICT;
CREATE TABLE proofs (
  id INTEGER PRIMARY KEY,
  state_id INTEGER NOT NULL REFERENCES states(id),
  scan_id INTEGER NOT NULL REFERENCES scans(id),
  place INTEGER NOT NULL CHECK (place >= 1),
  UNIQUE (state_id, place)
) STRICT;
CREATE TABLE plans (
  id INTEGER PRIMARY KEY,
  state_id INTEGER NOT NULL REFERENCES states(id),
  wedge_id INTEGER REFERENCES wedges(id),
  ground_id INTEGER REFERENCES grounds(id),
  temperature_c REAL CHECK (temperature_c BETWEEN -10 AND 100),
  temperature_factor REAL NOT NULL CHECK (temperature_factor > 0 AND temperature_factor < 1000),
  temperature_ln_sd REAL NOT NULL CHECK (temperature_ln_sd BETWEEN 0 AND 10),
  kept_ground INTEGER NOT NULL CHECK (kept_ground IN (0, 1)),
  speed REAL NOT NULL CHECK (speed > 0 AND speed < 1000),
  speed_ln_sd REAL NOT NULL CHECK (speed_ln_sd BETWEEN 0 AND 10),
  made_on TEXT,
  text TEXT NOT NULL CHECK (json_valid(text)),
  regions_png BLOB,
  px_per_mm REAL NOT NULL CHECK (px_per_mm BETWEEN 0 AND 1000)
) STRICT;
CREATE TABLE predictions (
  id INTEGER PRIMARY KEY,
  plan_id INTEGER NOT NULL REFERENCES plans(id),
  region INTEGER NOT NULL CHECK (region BETWEEN 1 AND 65535),
  action TEXT NOT NULL,
  area_mm2 REAL NOT NULL CHECK (area_mm2 >= 0),
  minutes REAL NOT NULL CHECK (minutes BETWEEN 0 AND 100000),
  stage INTEGER NOT NULL CHECK (stage BETWEEN 0 AND 1000),
  density_now REAL NOT NULL,
  density_now_sd REAL NOT NULL CHECK (density_now_sd >= 0),
  density_target REAL NOT NULL,
  density_predicted REAL NOT NULL,
  density_predicted_sd REAL NOT NULL CHECK (density_predicted_sd >= 0),
  density_reached REAL,
  density_reached_sd REAL CHECK (density_reached_sd >= 0),
  reached_state_id INTEGER REFERENCES states(id),
  UNIQUE (plan_id, region),
  CHECK ((density_reached IS NULL) = (density_reached_sd IS NULL)),
  CHECK ((density_reached IS NULL) = (reached_state_id IS NULL))
) STRICT;
CREATE TABLE bites (
  id INTEGER PRIMARY KEY,
  state_id INTEGER NOT NULL REFERENCES states(id),
  stage INTEGER NOT NULL CHECK (stage BETWEEN 1 AND 1000),
  minutes REAL NOT NULL CHECK (minutes > 0 AND minutes <= 2880),
  temperature_c REAL CHECK (temperature_c BETWEEN -10 AND 100),
  batch_id INTEGER REFERENCES batches(id),
  done_on TEXT CHECK (done_on IS date(done_on, '+0 days')),
  note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE lowerings (
  id INTEGER PRIMARY KEY,
  state_id INTEGER NOT NULL REFERENCES states(id),
  region INTEGER CHECK (region BETWEEN 1 AND 65535),
  how TEXT NOT NULL CHECK (how IN ('burnish', 'scrape', 'charcoal')),
  done_on TEXT CHECK (done_on IS date(done_on, '+0 days')),
  note TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE TABLE seals (
  in_table TEXT NOT NULL,
  in_row INTEGER NOT NULL,
  sha256 TEXT NOT NULL CHECK (length(sha256) = 64),
  PRIMARY KEY (in_table, in_row)
) STRICT, WITHOUT ROWID;
CREATE INDEX wedges_of_batch ON wedges (batch_id);
CREATE INDEX plans_of_state ON plans (state_id);
CREATE INDEX plans_of_wedge ON plans (wedge_id);
CREATE INDEX bites_of_state ON bites (state_id);
CREATE INDEX lowerings_of_state ON lowerings (state_id);
)sql";

// Plans changed by hand, and the bath clock.
constexpr const char* version_2 = R"sql(
CREATE TABLE plan_edits (
  id INTEGER PRIMARY KEY,
  plan_id INTEGER NOT NULL UNIQUE REFERENCES plans(id),
  from_plan_id INTEGER NOT NULL REFERENCES plans(id),
  changes TEXT CHECK (changes IS NULL OR json_valid(changes)),
  what TEXT NOT NULL DEFAULT '',
  made_at TEXT,
  CHECK (from_plan_id <> plan_id)
) STRICT;
CREATE TABLE current_plans (
  id INTEGER PRIMARY KEY,
  state_id INTEGER NOT NULL UNIQUE REFERENCES states(id),
  plan_id INTEGER NOT NULL REFERENCES plans(id)
) STRICT;
CREATE TABLE bath_clocks (
  id INTEGER PRIMARY KEY,
  state_id INTEGER NOT NULL REFERENCES states(id),
  plan_id INTEGER REFERENCES plans(id),
  stage INTEGER NOT NULL CHECK (stage BETWEEN 1 AND 1000),
  planned_minutes REAL CHECK (planned_minutes > 0 AND planned_minutes <= 2880),
  temperature_c REAL CHECK (temperature_c BETWEEN -10 AND 100),
  batch_id INTEGER REFERENCES batches(id),
  started_ms INTEGER NOT NULL CHECK (started_ms > 0),
  ended_ms INTEGER CHECK (ended_ms >= started_ms),
  bite_id INTEGER UNIQUE REFERENCES bites(id),
  note TEXT NOT NULL DEFAULT '',
  CHECK (bite_id IS NULL OR ended_ms IS NOT NULL)
) STRICT;
CREATE TABLE bath_pauses (
  id INTEGER PRIMARY KEY,
  clock_id INTEGER NOT NULL REFERENCES bath_clocks(id),
  from_ms INTEGER NOT NULL CHECK (from_ms > 0),
  to_ms INTEGER CHECK (to_ms >= from_ms)
) STRICT;
CREATE INDEX edits_of_plan ON plan_edits (from_plan_id);
CREATE UNIQUE INDEX one_clock_for_a_state ON bath_clocks (state_id) WHERE ended_ms IS NULL;
CREATE INDEX clocks_of_state ON bath_clocks (state_id);
CREATE INDEX pauses_of_clock ON bath_pauses (clock_id);
)sql";

// Readings of the thermometer while the plate is in the bath; NULL: not known any more.
constexpr const char* version_3 = R"sql(
CREATE TABLE bath_temperatures (
  id INTEGER PRIMARY KEY,
  clock_id INTEGER NOT NULL REFERENCES bath_clocks(id),
  at_ms INTEGER NOT NULL CHECK (at_ms > 0),
  temperature_c REAL CHECK (temperature_c BETWEEN -10 AND 100)
) STRICT;
CREATE INDEX temperatures_of_clock ON bath_temperatures (clock_id);
)sql";

// Entries that do not count: what was entered wrongly stays, and a row here annuls it.
constexpr const char* version_4 = R"sql(
CREATE TABLE struck_out (
  id INTEGER PRIMARY KEY,
  bite_id INTEGER UNIQUE REFERENCES bites(id),
  lowering_id INTEGER UNIQUE REFERENCES lowerings(id),
  struck_on TEXT CHECK (struck_on IS date(struck_on, '+0 days')),
  why TEXT NOT NULL DEFAULT '',
  CHECK ((bite_id IS NULL) <> (lowering_id IS NULL))
) STRICT;
)sql";

constexpr std::array all_migrations{version_1, version_2, version_3, version_4};

constexpr std::array tables_in_order{Table{"plates", 1},
                                     Table{"batches", 1},
                                     Table{"wedges", 1},
                                     Table{"grounds", 1},
                                     Table{"scans", 1},
                                     Table{"states", 1},
                                     Table{"proofs", 1},
                                     Table{"plans", 1},
                                     Table{"predictions", 1},
                                     Table{"bites", 1},
                                     Table{"lowerings", 1},
                                     Table{"plan_edits", 2},
                                     Table{"current_plans", 2},
                                     Table{"bath_clocks", 2},
                                     Table{"bath_pauses", 2},
                                     Table{"bath_temperatures", 3},
                                     Table{"struck_out", 4}};

}  // namespace

std::span<const char* const> migrations() { return all_migrations; }

std::span<const Table> tables() { return tables_in_order; }

Result<int> version_of(Store& store, int newest) {
  const int application = store.db().execAndGet("PRAGMA application_id").getInt();
  const int version = store.db().execAndGet("PRAGMA user_version").getInt();
  const int objects = store.db().execAndGet("SELECT count(*) FROM sqlite_schema").getInt();
  const std::string name = files::shown(store.file());
  if (application == 0 && version == 0 && objects == 0) return 0;
  if (application != application_id || version < 1) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: is a database, but no record book of Rebite", name),
                  "Name the right file with --book, or open a new book with rebite book open.");
  }
  if (version > newest) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: is a book of version {}, this Rebite knows versions up to {}",
                              name,
                              version,
                              newest),
                  "Use the newer Rebite that wrote it. Nothing was changed.");
  }
  return version;
}

Result<void> bring_up(Store& store, std::span<const char* const> steps) {
  const int newest = static_cast<int>(steps.size());
  const auto before = version_of(store, newest);
  if (!before) return std::unexpected(before.error());
  for (int version = *before; version < newest; ++version) {
    const auto done = store.write([&]() -> Result<void> {
      // Another process may have done this step while we waited for the lock.
      const auto now = version_of(store, newest);
      if (!now) return std::unexpected(now.error());
      if (*now > version) return {};
      store.db().exec(steps[static_cast<std::size_t>(version)]);
      store.db().exec(fmt::format("PRAGMA application_id = {}", application_id));
      store.db().exec(fmt::format("PRAGMA user_version = {}", version + 1));
      return {};
    });
    if (!done) return done;
  }
  return {};
}

}  // namespace rebite::book

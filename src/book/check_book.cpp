#include <fmt/format.h>

#include "book/book.h"
#include "book/schema.h"
#include "book/store.h"

namespace rebite::book {
namespace {

// At most this many findings: a torn file has thousands and the first few tell enough.
constexpr std::size_t most_findings = 50;

void check_structure(Store& store, std::vector<Damage>& found) {
  SQLite::Statement s(store.db(), "PRAGMA integrity_check(20)");
  while (s.executeStep()) {
    const std::string verdict = s.getColumn(0).getString();
    if (verdict != "ok") found.push_back({"file", verdict});
  }
  SQLite::Statement keys(store.db(), "PRAGMA foreign_key_check");
  while (keys.executeStep() && found.size() < most_findings) {
    found.push_back(
        {fmt::format("{}, row {}", keys.getColumn(0).getString(), keys.getColumn(1).getString()),
         "points to an entry that is not there"});
  }
}

// The tables' own text: a byte flipped there renames a column under the values.
std::string shape(Store& store) {
  SQLite::Statement s(store.db(),
                      "SELECT type || name || tbl_name || coalesce(sql, '') FROM sqlite_schema "
                      "WHERE name NOT LIKE 'sqlite_%' ORDER BY type, name");
  std::string all;
  while (s.executeStep()) all += s.getColumn(0).getString() + "\n";
  return all;
}
void check_shape(Store& store, std::vector<Damage>& found) {
  Store fresh(":memory:", SQLite::OPEN_READWRITE | SQLite::OPEN_CREATE);
  const bool made = bring_up(fresh, migrations()).has_value();
  if (!made || shape(store) != shape(fresh)) {
    found.push_back({"tables", "are not laid out as a book's of this version"});
  }
}

void check_seals(Store& store, const std::string& table, std::vector<Damage>& found) {
  std::vector<Id> rows;
  SQLite::Statement s(store.db(), fmt::format("SELECT id FROM {} ORDER BY id", table));
  while (s.executeStep()) rows.push_back(s.getColumn(0).getInt64());
  for (const Id row : rows) {
    if (found.size() >= most_findings) return;
    if (store.seal_now(table, row) != store.seal_kept(table, row)) {
      found.push_back({fmt::format("{}, row {}", table, row), "is not as it was written"});
    }
  }
  SQLite::Statement kept(store.db(), "SELECT count(*) FROM seals WHERE in_table=?");
  kept.bind(1, table);
  kept.executeStep();
  const auto sealed = static_cast<std::size_t>(kept.getColumn(0).getInt64());
  if (sealed != rows.size()) {
    found.push_back(
        {table, fmt::format("{} entries were written, {} are there", sealed, rows.size())});
  }
}

}  // namespace

Result<std::vector<Damage>> Book::check() {
  std::vector<Damage> found;
  // A file that cannot be read on is damage found, not a failure to look.
  const auto look = [&](const std::string& where, auto&& work) {
    try {
      work();
    } catch (const SQLite::Exception& e) {
      found.push_back({where, e.what()});
    }
  };
  look("file", [&] { check_structure(*store_, found); });
  look("tables", [&] { check_shape(*store_, found); });
  for (const auto& table : tables()) {
    look(table.name, [&] { check_seals(*store_, table.name, found); });
  }
  look("seals", [&] {
    SQLite::Statement s(store_->db(), "SELECT DISTINCT in_table FROM seals");
    while (s.executeStep()) {
      const std::string name = s.getColumn(0).getString();
      bool known = false;
      for (const auto& table : tables()) known |= name == table.name;
      if (!known) found.push_back({"seals", fmt::format("name a table '{}'", name)});
    }
  });
  return found;
}

}  // namespace rebite::book

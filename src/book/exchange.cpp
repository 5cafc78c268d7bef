// Export and import: every table row by row in book.json, long texts and pictures as files.
#include <fmt/format.h>

#include <map>
#include <nlohmann/json.hpp>
#include <set>

#include "book/book.h"
#include "book/schema.h"
#include "book/store.h"
#include "files/files.h"

namespace rebite::book {
namespace {
using Json = nlohmann::ordered_json;

// Columns that become files of their own.
const std::map<std::pair<std::string, std::string>, std::string>& long_columns() {
  static const std::map<std::pair<std::string, std::string>, std::string> names{
      {{"wedges", "text"}, "wedge-{}.json"},
      {{"plans", "text"}, "plan-{}.json"},
      {{"plans", "regions_png"}, "plan-{}-regions.png"},
      {{"scans", "preview"}, "preview-{}.png"}};
  return names;
}

std::string bytes_of(const Value& value) {
  if (const auto* t = std::get_if<std::string>(&value)) return *t;
  if (const auto* b = std::get_if<Blob>(&value)) return b->bytes;
  return {};
}

Json plain(const Value& value) {
  if (const auto* i = std::get_if<std::int64_t>(&value)) return *i;
  if (const auto* d = std::get_if<double>(&value)) return *d;
  if (const auto* t = std::get_if<std::string>(&value)) return *t;
  return nullptr;
}

Json row_json(const std::string& table, SQLite::Statement& s, Book::Files& files) {
  Json row = Json::object();
  const Id id = s.getColumn("id").getInt64();
  for (int i = 0; i < s.getColumnCount(); ++i) {
    const std::string name = s.getColumnName(i);
    const Value value = value_of(s.getColumn(i));
    const auto own_file = long_columns().find({table, name});
    if (own_file == long_columns().end() || std::holds_alternative<std::monostate>(value)) {
      row[name] = plain(value);
      continue;
    }
    const std::string file = fmt::format(fmt::runtime(own_file->second), id);
    std::string bytes = bytes_of(value);
    row[name] = {{"file", file}, {"sha256", files::sha256(bytes)}};
    files.emplace_back(file, std::move(bytes));
  }
  return row;
}

std::unexpected<Problem> bad_export(std::string what) {
  return refuse(ProblemKind::data,
                fmt::format("book.json: {}", what),
                "Import a folder that rebite book export wrote, whole. Nothing was changed.");
}

Result<Value> value_from(const Json& entry,
                         const std::string& table,
                         const std::string& column,
                         const std::map<std::string, const std::string*>& files) {
  if (entry.is_null()) return Value();
  if (entry.is_number_integer()) return Value(entry.get<std::int64_t>());
  if (entry.is_number_float()) return Value(entry.get<double>());
  if (entry.is_string()) return Value(entry.get<std::string>());
  if (entry.is_object() && long_columns().contains({table, column}) && entry.contains("file") &&
      entry["file"].is_string() && entry.contains("sha256") && entry["sha256"].is_string()) {
    const std::string name = entry["file"].get<std::string>();
    const auto found = files.find(name);
    if (found == files.end()) return bad_export(fmt::format("{} is missing", name));
    if (files::sha256(*found->second) != entry["sha256"].get<std::string>()) {
      return bad_export(fmt::format("{} is not as it was exported", name));
    }
    if (column == "text") return Value(*found->second);
    return Value(Blob{*found->second});
  }
  return bad_export(fmt::format("{} of {} is neither text nor number", column, table));
}

std::set<std::string> columns_of(Store& store, const std::string& table) {
  std::set<std::string> names;
  SQLite::Statement s(store.db(), fmt::format("SELECT name FROM pragma_table_info('{}')", table));
  while (s.executeStep()) names.insert(s.getColumn(0).getString());
  return names;
}

Result<void> import_table(Store& store,
                          const std::string& table,
                          const Json& rows,
                          const std::map<std::string, const std::string*>& files) {
  if (!rows.is_array()) return bad_export(fmt::format("{} is no list", table));
  const auto known = columns_of(store, table);
  for (const auto& row : rows) {
    if (!row.is_object()) return bad_export(fmt::format("an entry of {} is no object", table));
    Columns columns;
    for (const auto& [name, entry] : row.items()) {
      if (!known.contains(name)) {
        return bad_export(fmt::format("\"{}\" is not known in {}", name, table));
      }
      auto value = value_from(entry, table, name, files);
      if (!value) return std::unexpected(value.error());
      columns.push_back({name, std::move(*value)});
    }
    if (columns.empty()) return bad_export(fmt::format("an entry of {} is empty", table));
    store.insert(table, columns);
  }
  return {};
}

}  // namespace

Result<Book::Files> Book::export_files() {
  return store_->read([&]() -> Result<Files> {
    // One reading transaction: nobody's writing falls between two tables.
    SQLite::Transaction together(store_->db());
    Files files(1);
    Json all = Json::object();
    for (const auto& table : tables()) {
      Json rows = Json::array();
      SQLite::Statement s(store_->db(), fmt::format("SELECT * FROM {} ORDER BY id", table.name));
      while (s.executeStep()) rows.push_back(row_json(table.name, s, files));
      all[table.name] = std::move(rows);
    }
    const Json whole{{"format", "rebite-book"},
                     {"version", 1},
                     {"book_version", version()},
                     {"tables", std::move(all)}};
    files.front() = {"book.json", whole.dump(1, ' ', false, Json::error_handler_t::replace) + "\n"};
    return files;
  });
}

Result<void> Book::import_files(const Files& given) {
  std::map<std::string, const std::string*> files;
  for (const auto& [name, bytes] : given) files[name] = &bytes;
  const auto main = files.find("book.json");
  if (main == files.end()) return bad_export("is missing");
  const Json whole = Json::parse(*main->second, nullptr, false);
  if (!whole.is_object() || whole.value("format", Json()) != "rebite-book" ||
      whole.value("version", Json()) != 1 || !whole.contains("tables") ||
      !whole["tables"].is_object()) {
    return bad_export("is no export of a record book");
  }
  const Json said = whole.value("book_version", Json());
  const int version = said.is_number_integer() ? said.get<int>() : 0;
  if (version < 1 || version > newest_version()) {
    return bad_export(fmt::format("is of book version {}, this Rebite imports versions 1 to {}",
                                  said.dump(),
                                  newest_version()));
  }
  return store_->write([&]() -> Result<void> {
    for (const auto& table : tables()) {
      const int rows =
          store_->db().execAndGet(fmt::format("SELECT count(*) FROM {}", table.name)).getInt();
      if (rows > 0) {
        return refuse(ProblemKind::data,
                      fmt::format("{}: has entries already", files::shown(file())),
                      "Import into a new book: name another file with --book.");
      }
    }
    for (const auto& table : tables()) {
      // Later versions only added tables: an older export has none of them, and no more to say.
      if (table.since > version) continue;
      const auto rows = whole["tables"].find(table.name);
      if (rows == whole["tables"].end()) return bad_export(fmt::format("has no {}", table.name));
      if (auto ok = import_table(*store_, table.name, *rows, files); !ok) return ok;
    }
    return {};
  });
}

}  // namespace rebite::book

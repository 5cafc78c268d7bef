#include "book/store.h"

#include <fmt/format.h>
#include <sqlite3.h>

#include <bit>
#include <nlohmann/json.hpp>

#include "files/files.h"

namespace rebite::book {
namespace {

constexpr int busy_ms = 5000;

void append_number(std::string& to, std::uint64_t v) {
  for (int i = 0; i < 8; ++i) to += static_cast<char>((v >> (8 * i)) & 0xff);
}

// Type, length and bytes of each value: no two rows give the same text.
void append_value(std::string& to, const Value& value) {
  to += static_cast<char>('0' + value.index());
  if (const auto* i = std::get_if<std::int64_t>(&value)) {
    append_number(to, static_cast<std::uint64_t>(*i));
  } else if (const auto* d = std::get_if<double>(&value)) {
    append_number(to, std::bit_cast<std::uint64_t>(*d));
  } else if (const auto* t = std::get_if<std::string>(&value)) {
    append_number(to, t->size());
    to += *t;
  } else if (const auto* b = std::get_if<Blob>(&value)) {
    append_number(to, b->bytes.size());
    to += b->bytes;
  }
}

// What an export could not give back the same does not come in.
void must_be_text(const Columns& columns) {
  for (const auto& [name, value] : columns) {
    const auto* text = std::get_if<std::string>(&value);
    if (text && !can_be_entered(*text)) {
      throw SQLite::Exception("the " + name + " is not written in UTF-8", SQLITE_CONSTRAINT);
    }
  }
}

}  // namespace

bool can_be_entered(const std::string& text) {
  try {
    (void)nlohmann::json(text).dump();
    return true;
  } catch (const nlohmann::json::type_error&) {
    return false;
  }
}

Problem problem_of(const SQLite::Exception& error, const std::filesystem::path& file) {
  const std::string name = files::shown(file);
  switch (error.getErrorCode()) {
    case SQLITE_BUSY:
    case SQLITE_LOCKED:
      return {ProblemKind::io,
              fmt::format("{}: another program has been writing in the book for 5 seconds", name),
              "Wait until it is done and run this again. Nothing was changed."};
    case SQLITE_FULL:
      return {ProblemKind::io,
              fmt::format("{}: the disk is full", name),
              "Make room and run this again. The book is as it was before."};
    case SQLITE_READONLY:
      return {ProblemKind::cannot_create,
              fmt::format("{}: the book or its folder may not be written", name),
              "Use a book in a folder of your own (--book FILE). Nothing was changed."};
    case SQLITE_CANTOPEN:
    case SQLITE_PERM:
    case SQLITE_AUTH:
      return {ProblemKind::cannot_create,
              fmt::format("{}: the book cannot be opened", name),
              "Check that its folder is there and may be written, or name another with --book."};
    case SQLITE_CORRUPT:
    case SQLITE_NOTADB:
    case SQLITE_FORMAT:
    case SQLITE_SCHEMA:
      return {ProblemKind::data,
              fmt::format("{}: the book is damaged, or is no record book ({})", name, error.what()),
              "Go back to your last copy (rebite book copy makes them); rebite book check tells "
              "what is hurt."};
    case SQLITE_CONSTRAINT:
      return {ProblemKind::data,
              fmt::format("{}: the book refuses this entry ({})", name, error.what()),
              "Check the names and the numbers. Nothing was changed."};
    case SQLITE_NOMEM:
      return {ProblemKind::io,
              fmt::format("{}: this machine has too little free memory", name),
              "Close other programs and run this again. Nothing was changed."};
    default:
      return {ProblemKind::io,
              fmt::format("{}: the book could not be read or written ({})", name, error.what()),
              "Check the disk; rebite book check tells whether the book is sound."};
  }
}

Value value_of(const SQLite::Column& column) {
  if (column.isInteger()) return column.getInt64();
  if (column.isFloat()) return column.getDouble();
  if (column.isText()) return column.getString();
  if (column.isBlob()) {
    const auto* bytes = static_cast<const char*>(column.getBlob());
    return Blob{bytes ? std::string(bytes, static_cast<std::size_t>(column.getBytes()))
                      : std::string()};
  }
  return {};
}

void bind(SQLite::Statement& statement, int index, const Value& value) {
  if (const auto* i = std::get_if<std::int64_t>(&value)) {
    statement.bind(index, *i);
  } else if (const auto* d = std::get_if<double>(&value)) {
    statement.bind(index, *d);
  } else if (const auto* t = std::get_if<std::string>(&value)) {
    statement.bind(index, *t);
  } else if (const auto* b = std::get_if<Blob>(&value)) {
    statement.bind(index, b->bytes.data(), static_cast<int>(b->bytes.size()));
  } else {
    statement.bind(index);
  }
}

Store::Store(const std::filesystem::path& file, int flags)
    : file_(file), db_(file.string(), flags, busy_ms) {
  db_.exec("PRAGMA foreign_keys = ON");
  // A damaged or strange file must not reach SQLite's own tables.
  sqlite3_db_config(db_.getHandle(), SQLITE_DBCONFIG_DEFENSIVE, 1, nullptr);
  db_.exec("PRAGMA cell_size_check = ON");
  db_.exec("PRAGMA synchronous = FULL");
}

Id Store::insert(const std::string& table, const Columns& columns) {
  must_be_text(columns);
  std::string names, marks;
  for (const auto& [name, value] : columns) {
    names += (names.empty() ? "" : ",") + name;
    marks += marks.empty() ? "?" : ",?";
  }
  SQLite::Statement s(db_, fmt::format("INSERT INTO {} ({}) VALUES ({})", table, names, marks));
  int index = 0;
  for (const auto& [name, value] : columns) bind(s, ++index, value);
  s.exec();
  const Id row = db_.getLastInsertRowid();
  seal(table, row);
  return row;
}

void Store::update(const std::string& table, Id row, const Columns& columns) {
  must_be_text(columns);
  std::string sets;
  for (const auto& [name, value] : columns) sets += (sets.empty() ? "" : ",") + name + "=?";
  SQLite::Statement s(db_, fmt::format("UPDATE {} SET {} WHERE id=?", table, sets));
  int index = 0;
  for (const auto& [name, value] : columns) bind(s, ++index, value);
  s.bind(++index, row);
  s.exec();
  seal(table, row);
}

std::string Store::seal_now(const std::string& table, Id row) {
  SQLite::Statement s(db_, fmt::format("SELECT * FROM {} WHERE id=?", table));
  s.bind(1, row);
  if (!s.executeStep()) return {};
  std::string all = table;
  for (int i = 0; i < s.getColumnCount(); ++i) append_value(all, value_of(s.getColumn(i)));
  return files::sha256(all);
}

std::string Store::seal_kept(const std::string& table, Id row) {
  SQLite::Statement s(db_, "SELECT sha256 FROM seals WHERE in_table=? AND in_row=?");
  s.bind(1, table);
  s.bind(2, row);
  return s.executeStep() ? s.getColumn(0).getString() : std::string();
}

void Store::seal(const std::string& table, Id row) {
  const std::string sha = seal_now(table, row);
  SQLite::Statement s(db_,
                      "INSERT OR REPLACE INTO seals (in_table, in_row, sha256) VALUES (?,?,?)");
  s.bind(1, table);
  s.bind(2, row);
  s.bind(3, sha);
  s.exec();
}

}  // namespace rebite::book

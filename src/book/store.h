// SQLite, through SQLiteCpp, with the book's habits: what is written is sealed, faults become
// Problems. Inside the room only.
#pragma once

#include <SQLiteCpp/SQLiteCpp.h>

#include <filesystem>
#include <string>
#include <utility>
#include <variant>
#include <vector>

#include "book/records.h"

namespace rebite::book {

struct Blob {
  std::string bytes;
};
// monostate: NULL.
using Value = std::variant<std::monostate, std::int64_t, double, std::string, Blob>;
using Columns = std::vector<std::pair<std::string, Value>>;

// What a database error means to the user.
Problem problem_of(const SQLite::Exception& error, const std::filesystem::path& file);

class Store {
 public:
  // Throws SQLite::Exception.
  Store(const std::filesystem::path& file, int flags);

  SQLite::Database& db() { return db_; }
  const std::filesystem::path& file() const { return file_; }

  // Inside a transaction only. The row is sealed: a SHA-256 over all its values is kept beside it,
  // so that `check` finds a byte that changed behind the book's back.
  Id insert(const std::string& table, const Columns& columns);
  void update(const std::string& table, Id row, const Columns& columns);

  // Seal of a row as it is now, and as it was written (empty: none).
  std::string seal_now(const std::string& table, Id row);
  std::string seal_kept(const std::string& table, Id row);

  // Runs `work` in one BEGIN IMMEDIATE transaction; a refusal or an exception rolls it back. Within
  // another `write` it is a part of that one, which must then refuse too.
  template <class Work>
  auto write(Work&& work) -> decltype(work()) {
    using Answer = decltype(work());
    if (writing_) return read(work);
    const Writing now(writing_);
    try {
      SQLite::Transaction transaction(db_, SQLite::TransactionBehavior::IMMEDIATE);
      Answer answer = work();
      if (answer) transaction.commit();
      return answer;
    } catch (const SQLite::Exception& e) {
      return std::unexpected(problem_of(e, file_));
    }
  }
  template <class Work>
  auto read(Work&& work) -> decltype(work()) {
    try {
      return work();
    } catch (const SQLite::Exception& e) {
      return std::unexpected(problem_of(e, file_));
    }
  }

 private:
  struct Writing {
    explicit Writing(bool& on) : flag(on) { flag = true; }
    ~Writing() { flag = false; }
    Writing(const Writing&) = delete;
    Writing& operator=(const Writing&) = delete;
    bool& flag;
  };
  void seal(const std::string& table, Id row);

  std::filesystem::path file_;
  SQLite::Database db_;
  bool writing_ = false;
};

// The value of a column, in its own type.
Value value_of(const SQLite::Column& column);
void bind(SQLite::Statement& statement, int index, const Value& value);

inline Value or_null(const std::optional<double>& v) { return v ? Value(*v) : Value(); }
inline Value or_null(Id id) { return id ? Value(id) : Value(); }
inline Value or_null(const std::string& text) { return text.empty() ? Value() : Value(text); }

}  // namespace rebite::book

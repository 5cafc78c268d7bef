// Files between versions and half-way states: a write-ahead log that another program left, damaged
// pages, numbers of versions that never were, exports with what this version does not know.
#include <SQLiteCpp/SQLiteCpp.h>
#include <gmock/gmock.h>

#include <nlohmann/json.hpp>

#include "tests/book/crash.h"

namespace rebite::book {
namespace {
using testing::HasSubstr;

// Another program switched the book to a write-ahead log and was killed: what it had committed is
// in FILE-wal. The book with its log tells all; without its log it tells what stood before.
TEST(Versions, AWriteAheadLogThatWasLeftIsReadIn) {
  TempFolder folder;
  filled_book(folder / "b.sqlite");
  {
    SQLite::Database other((folder / "b.sqlite").string(), SQLite::OPEN_READWRITE);
    other.exec("PRAGMA journal_mode = WAL");
    other.exec("PRAGMA wal_autocheckpoint = 0");
    Book book = must(Book::open(folder / "b.sqlite", Book::Access::write));
    must(book.add_plate({0, "In the log", "copper", {50, 50}, {}, ""}));
    for (const char* end : {"", "-wal"}) {
      fs::copy_file(folder / (std::string("b.sqlite") + end), folder / (std::string("left") + end));
    }
    fs::copy_file(folder / "b.sqlite", folder / "without");
  }
  ASSERT_GT(fs::file_size(folder / "left-wal"), 0U);
  for (const auto access : {Book::Access::read, Book::Access::write}) {
    Book book = must(Book::open(folder / "left", access));
    EXPECT_EQ(must(book.plates()).size(), 3U);
    EXPECT_TRUE(must(book.check()).empty());
  }
  Book without = must(Book::open(folder / "without", Book::Access::write));
  EXPECT_EQ(must(without.plates()).size(), 2U);
  EXPECT_TRUE(must(without.check()).empty());
}

// Each page of the book in turn overwritten: refused, found by check, or a page that nobody uses.
TEST(Versions, EveryPageInTurnMayBeHurt) {
  TempFolder folder;
  Book::Files as_written;
  {
    Book book = filled_book(folder / "whole");
    as_written = must(book.export_files());
  }
  const std::string whole = bytes_of(folder / "whole");
  constexpr std::size_t page = 4096;
  ASSERT_EQ(whole.size() % page, 0U);
  FlipCount count;
  for (std::size_t at = 0; at < whole.size(); at += page) {
    for (const char filling : {'\0', '\xff'}) {
      std::string bytes = whole;
      std::fill_n(bytes.begin() + static_cast<std::ptrdiff_t>(at), page, filling);
      put_bytes(folder / "hurt", bytes);
      tally(count, use_damaged(folder / "hurt", as_written));
    }
  }
  EXPECT_EQ(count.crashed, 0);
  EXPECT_EQ(count.missed, 0);
  EXPECT_GT(count.refused + count.found, count.cases * 3 / 4);
}

TEST(Versions, NumbersThatNeverWereAreRefusedUntouched) {
  for (const char* version : {"-1", "99", "2147483647"}) {
    TempFolder folder;
    filled_book(folder / "b.sqlite");
    {
      SQLite::Database db((folder / "b.sqlite").string(), SQLite::OPEN_READWRITE);
      db.exec(std::string("PRAGMA user_version = ") + version);
    }
    const auto before = bytes_of(folder / "b.sqlite");
    for (const auto access : {Book::Access::read, Book::Access::write, Book::Access::make}) {
      const auto book = Book::open(folder / "b.sqlite", access);
      ASSERT_FALSE(book.has_value()) << version;
      EXPECT_EQ(book.error().kind, ProblemKind::data);
      EXPECT_FALSE(book.error().next.empty());
    }
    EXPECT_EQ(bytes_of(folder / "b.sqlite"), before);
  }
}

// A newer Rebite's export holds what this one does not know: it is refused by name, and the book
// into which it should have gone stays empty. Nothing is dropped in silence.
TEST(Versions, AnExportWithUnknownFieldsIsRefusedByName) {
  TempFolder folder;
  auto files = must(filled_book(folder / "b.sqlite").export_files());
  for (auto& [name, bytes] : files) {
    if (name != "book.json") continue;
    auto json = nlohmann::ordered_json::parse(bytes);
    auto& plates = json["tables"]["plates"];
    ASSERT_FALSE(plates.empty());
    for (auto& row : plates) row["varnish"] = "none";
    bytes = json.dump();
  }
  Book book = must(Book::open(folder / "new.sqlite", Book::Access::make));
  const auto done = book.import_files(files);
  ASSERT_FALSE(done.has_value());
  EXPECT_THAT(done.error().what, HasSubstr("varnish"));
  EXPECT_TRUE(must(book.plates()).empty());
}

}  // namespace
}  // namespace rebite::book

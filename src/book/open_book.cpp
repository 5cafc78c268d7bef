#include <SQLiteCpp/Backup.h>
#include <fmt/format.h>
#include <sqlite3.h>

#include <cstdlib>
#include <string_view>

#include "book/book.h"
#include "book/schema.h"
#include "book/store.h"
#include "files/files.h"
#include "files/put_whole.h"

namespace rebite::book {
namespace fs = std::filesystem;

Book::Book(std::unique_ptr<Store> store) : store_(std::move(store)) {}
Book::Book(Book&&) noexcept = default;
Book& Book::operator=(Book&&) noexcept = default;
Book::~Book() = default;

const fs::path& Book::file() const { return store_->file(); }
int Book::version() const { return store_->db().execAndGet("PRAGMA user_version").getInt(); }

namespace {

Result<void> sound_structure(Store& store) {
  const std::string verdict = store.db().execAndGet("PRAGMA quick_check(1)").getString();
  if (verdict == "ok") return {};
  // A page that the disk does not hand over is no damage of the book. SQLite says it in words:
  // "... error code=266", whose low byte is SQLITE_IOERR.
  constexpr std::string_view says = "error code=";
  const auto at = verdict.find(says);
  if (at != std::string::npos &&
      (std::atoi(verdict.c_str() + at + says.size()) & 0xff) == SQLITE_IOERR) {
    return refuse(
        ProblemKind::io,
        fmt::format("{}: the book could not be read to its end", files::shown(store.file())),
        "Check the disk, then run this again. Nothing was changed.");
  }
  return refuse(
      ProblemKind::data,
      fmt::format("{}: the book is damaged ({})", files::shown(store.file()), verdict),
      "Go back to your last copy (rebite book copy makes them), or save what can be read with "
      "rebite book export.");
}

// A copy that is not whole, and the journal that SQLite leaves beside it where it could not be
// removed.
void remove_part(const fs::path& part) {
  std::error_code ignored;
  fs::path journal = part;
  journal += "-journal";
  fs::remove(part, ignored);
  fs::remove(journal, ignored);
}

// Before the tables change, the old book is copied beside itself. SQLite writes such a copy without
// syncing it, and a killed run leaves a part of it: so it gets its name only when it is whole.
Result<void> keep_old(Store& store, int version) {
  fs::path kept = store.file();
  kept += fmt::format(".version-{}", version);
  std::error_code error;
  if (fs::exists(kept, error)) return {};
  const fs::path part = files::temporary_beside(kept);
  remove_part(part);  // of a killed run with our number
  bool is_old = false;
  try {
    SQLite::Statement s(store.db(), "VACUUM INTO ?");
    s.bind(1, part.string());
    s.exec();
    // Another process may have brought the book up to date, and kept the old one, meanwhile.
    SQLite::Database copy(part.string(), SQLite::OPEN_READONLY);
    is_old = copy.execAndGet("PRAGMA user_version").getInt() == version;
  } catch (...) {
    remove_part(part);
    throw;
  }
  if (is_old) return files::put_whole(part, kept, false);
  remove_part(part);
  return {};
}

// What fails at the copy must not be told of the book itself: who makes copies would fear for it.
Problem copy_failed(int code, const fs::path& file) {
  if (code == SQLITE_FULL) {
    return {ProblemKind::io,
            fmt::format("{}: the disk is full, no copy was made", files::shown(file)),
            "Make room there or name another place. The book is as it was before."};
  }
  return {ProblemKind::cannot_create,
          fmt::format("{}: the copy cannot be made here", files::shown(file)),
          "Name a file in a folder that exists and that you may write to. The book is as it was "
          "before."};
}

Result<std::unique_ptr<SQLite::Database>> opened_copy(const fs::path& part, const fs::path& file) {
  constexpr int wait_ms = 5000;
  try {
    return std::make_unique<SQLite::Database>(
        part.string(), SQLite::OPEN_READWRITE | SQLite::OPEN_CREATE, wait_ms);
  } catch (const SQLite::Exception& e) {
    if (e.getErrorCode() == SQLITE_NOMEM) throw;
    return std::unexpected(copy_failed(e.getErrorCode(), file));
  }
}

// A full disk is the copy's (reading needs no room), and so is one that may not be written.
int step_of(SQLite::Backup& backup) {
  try {
    return backup.executeStep(1000);
  } catch (const SQLite::Exception& e) {
    if (e.getErrorCode() == SQLITE_FULL || e.getErrorCode() == SQLITE_READONLY)
      return e.getErrorCode();
    throw;
  }
}

}  // namespace

Result<Book> Book::open(const fs::path& file, Access access) {
  std::error_code error;
  const bool there = fs::exists(file, error);
  if (fs::is_directory(file, error)) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: is a folder, not a record book", files::shown(file)),
                  "Name the book's file with --book.");
  }
  if (!there && access != Access::make) {
    return refuse(ProblemKind::no_input,
                  fmt::format("{}: there is no record book here", files::shown(file)),
                  "Open one with rebite book open, or name yours with --book FILE.");
  }
  // Reading opens for writing too where it may: after a kill, the first to open must roll the
  // half-done transaction back. query_only then keeps everything else out.
  const int flags = access == Access::make ? SQLite::OPEN_READWRITE | SQLite::OPEN_CREATE
                                           : SQLite::OPEN_READWRITE;
  try {
    auto store = std::make_unique<Store>(file, flags);
    if (access == Access::read) store->db().exec("PRAGMA query_only = ON");
    const auto version = version_of(*store, newest_version());
    if (!version) return std::unexpected(version.error());
    // The whole file is looked through before anything is written into it. Who only reads is told
    // of damage by the pages that he reads, and by `check`; a large book would keep him waiting.
    if (access != Access::read) {
      if (auto ok = sound_structure(*store); !ok) return std::unexpected(ok.error());
    }
    if (*version == 0 && access != Access::make) {
      return refuse(ProblemKind::data,
                    fmt::format("{}: is empty, no record book", files::shown(file)),
                    "Open a book with rebite book open.");
    }
    if (*version < newest_version()) {
      if (access == Access::read) {
        return refuse(ProblemKind::data,
                      fmt::format("{}: is a book of version {}, this Rebite reads version {}",
                                  files::shown(file),
                                  *version,
                                  newest_version()),
                      "Bring it up to date with rebite book open (a copy of the old one is kept).");
      }
      if (*version > 0) {
        if (auto kept = keep_old(*store, *version); !kept) return std::unexpected(kept.error());
      }
      store->db().exec("PRAGMA journal_mode = DELETE");
      if (auto done = bring_up(*store, migrations()); !done) return std::unexpected(done.error());
    }
    return Book(std::move(store));
  } catch (const SQLite::Exception& e) {
    return std::unexpected(problem_of(e, file));
  }
}

Result<void> Book::copy_to(const fs::path& file) {
  std::error_code error;
  if (fs::exists(file, error) || fs::is_symlink(file, error)) {
    return refuse(ProblemKind::usage,
                  fmt::format("{}: is there already", files::shown(file)),
                  "Name a new file for the copy. Nothing was changed.");
  }
  const fs::path part = files::temporary_beside(file);
  remove_part(part);  // of a killed run with our number
  const auto done = store_->read([&]() -> Result<void> {
    if (auto ok = sound_structure(*store_); !ok) return ok;  // a copy is what one goes back to
    auto opened = opened_copy(part, file);
    if (!opened) return std::unexpected(opened.error());
    SQLite::Backup backup(**opened, store_->db());
    // In steps, so that others may write meanwhile (the backup then starts over by itself).
    int busy = 0;
    for (;;) {
      const int code = step_of(backup);
      if (code == SQLITE_FULL || code == SQLITE_READONLY)
        return std::unexpected(copy_failed(code, file));
      if (code == SQLITE_DONE) break;
      if (code == SQLITE_BUSY || code == SQLITE_LOCKED) {
        if (++busy > 500) throw SQLite::Exception("busy", SQLITE_BUSY);
        sqlite3_sleep(10);
      }
    }
    return {};
  });
  if (!done) {
    remove_part(part);
    return done;
  }
  return files::put_whole(part, file);
}

}  // namespace rebite::book

// Several processes on one book at once, clocks that jump, zones that change their hour, and files
// that stand between two versions: nothing acknowledged is lost, a wait ends, a time stays a time.
#include <SQLiteCpp/SQLiteCpp.h>
#include <gmock/gmock.h>

#include <algorithm>

#include "tests/book/crash.h"

namespace rebite::book {
namespace {

// Starts `n` processes that run work(k) and waits for them: their exit codes.
template <class Work>
std::vector<int> in_children(int n, const Work& work) {
  std::vector<pid_t> children;
  for (int k = 0; k < n; ++k) {
    const pid_t child = ::fork();
    if (child == 0) {
      int code = 99;
      try {
        code = work(k);
      } catch (...) {
      }
      ::_exit(code);
    }
    children.push_back(child);
  }
  std::vector<int> codes;
  for (const pid_t child : children) {
    int status = 0;
    ::waitpid(child, &status, 0);
    codes.push_back(WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status));
  }
  return codes;
}

Id a_plate(const fs::path& file) {
  Book book = must(Book::open(file, Book::Access::make));
  return must(book.add_plate({0, "Shared", "copper", {150, 110}, {}, ""}));
}

TEST(Together, EightWritersLoseNothing) {
  TempFolder folder;
  const fs::path file = folder / "b.sqlite";
  const Id plate = a_plate(file);
  constexpr int writers = 8, each = 12;
  const auto failed = in_children(writers, [&](int who) {
    auto book = Book::open(file, Book::Access::write);
    int refused = book ? 0 : 1;
    for (int i = 0; book && i < each; ++i) {
      refused += book->add_state(state_of(plate, 1 + who * each + i)) ? 0 : 1;
    }
    return refused;
  });
  EXPECT_THAT(failed, testing::Each(0));
  Book book = must(Book::open(file, Book::Access::read));
  EXPECT_EQ(must(book.story(plate, false)).states.size(), std::size_t{writers * each});
  EXPECT_TRUE(must(book.check()).empty());
}

// The same eight, all wanting to be state 1: one is, the others are told so.
TEST(Together, OfEightThatWantTheSameNumberOneGetsIt) {
  TempFolder folder;
  const fs::path file = folder / "b.sqlite";
  const Id plate = a_plate(file);
  const auto codes = in_children(8, [&](int) {
    Book book = must(Book::open(file, Book::Access::write));
    const auto added = book.add_state(state_of(plate, 1));
    return added ? 0 : added.error().kind == ProblemKind::data ? 1 : 2;
  });
  EXPECT_EQ(std::count(codes.begin(), codes.end(), 0), 1);
  EXPECT_EQ(std::count(codes.begin(), codes.end(), 1), 7);
  Book book = must(Book::open(file, Book::Access::read));
  EXPECT_EQ(must(book.story(plate, false)).states.size(), 1U);
}

// A copy that is made while two others write is a whole book of one moment: states 1 to some n.
TEST(Together, CopiesMadeWhileOthersWriteAreWholeBooks) {
  TempFolder folder;
  const fs::path file = folder / "b.sqlite";
  const Id plate = a_plate(file);
  const pid_t writer = ::fork();
  if (writer == 0) {
    auto book = Book::open(file, Book::Access::write);
    for (int n = 1; book && n <= 100000; ++n) {
      if (!book->add_state(state_of(plate, n))) ::_exit(1);
    }
    ::_exit(2);
  }
  std::size_t most = 0;
  for (int k = 0; k < 6; ++k) {
    std::this_thread::sleep_for(std::chrono::milliseconds(30));
    const fs::path copy = folder / ("copy-" + std::to_string(k));
    must(must(Book::open(file, Book::Access::read)).copy_to(copy));
    Book again = must(Book::open(copy, Book::Access::read));
    EXPECT_TRUE(must(again.check()).empty());
    const auto states = must(again.story(plate, false)).states;
    for (std::size_t i = 0; i < states.size(); ++i) {
      EXPECT_EQ(states[i].number, static_cast<int>(i) + 1);
    }
    EXPECT_GE(states.size(), most) << "a later copy holds less";
    most = states.size();
  }
  ::kill(writer, SIGKILL);
  int status = 0;
  ::waitpid(writer, &status, 0);
  EXPECT_TRUE(WIFSIGNALED(status)) << "the writer gave up";
  EXPECT_GT(most, 0U);
}

// Who is kept waiting for less than the 5 seconds is served; nothing is asked twice.
TEST(Together, AShortWaitIsWaited) {
  TempFolder folder;
  const fs::path file = folder / "b.sqlite";
  a_plate(file);
  int ends[2];
  ASSERT_EQ(::pipe(ends), 0);
  const pid_t holder = ::fork();
  if (holder == 0) {
    SQLite::Database other(file.string(), SQLite::OPEN_READWRITE);
    other.exec("BEGIN EXCLUSIVE");
    const char held = 1;
    if (::write(ends[1], &held, 1) != 1) ::_exit(1);
    std::this_thread::sleep_for(std::chrono::milliseconds(700));
    other.exec("ROLLBACK");
    ::_exit(0);
  }
  char held = 0;
  ASSERT_EQ(::read(ends[0], &held, 1), 1);
  Book book = must(Book::open(file, Book::Access::write));
  EXPECT_TRUE(book.add_plate({0, "Later", "copper", {50, 50}, {}, ""}));
  int status = 0;
  ::waitpid(holder, &status, 0);
  EXPECT_EQ(must(book.plates()).size(), 2U);
  ::close(ends[0]);
  ::close(ends[1]);
}

// Four programs find an old book at the same moment: it is brought up to date once, the old one is
// kept once and whole.
TEST(Together, AnOldBookIsBroughtUpToDateOnce) {
  const fs::path kept = fs::path(REBITE_SOURCE_DIR) / "tests/book/kept/version-1.sqlite";
  for (int round = 0; round < 5; ++round) {
    TempFolder folder;
    fs::copy_file(kept, folder / "b.sqlite");
    const auto codes = in_children(4, [&](int) {
      auto book = Book::open(folder / "b.sqlite", Book::Access::write);
      if (!book) return book.error().kind == ProblemKind::io ? 1 : 2;
      return must(book->plates()).size() == 2 ? 0 : 3;
    });
    EXPECT_THAT(codes, testing::Each(0));
    Book book = must(Book::open(folder / "b.sqlite", Book::Access::read));
    EXPECT_TRUE(must(book.check()).empty());
    Book fresh = must(Book::open(folder / "fresh.sqlite", Book::Access::make));
    fill_version_1(fresh);
    EXPECT_EQ(must(book.export_files()), must(fresh.export_files()));
    SQLite::Database old((folder / "b.sqlite.version-1").string());
    EXPECT_EQ(old.execAndGet("PRAGMA user_version").getInt(), 1);
    EXPECT_EQ(old.execAndGet("PRAGMA integrity_check").getString(), std::string("ok"));
  }
}

class Moments : public testing::TestWithParam<const char*> {};

// Minutes in the bath are minutes, whatever the wall shows: over the hours that summer time takes
// and gives, over 2038-01-19 03:14:07 UTC (the end of 32-bit seconds), over a leap day and a new
// year.
TEST_P(Moments, MinutesInTheBathAreMinutes) {
  const std::string zone = ::getenv("TZ") ? ::getenv("TZ") : "";
  ::setenv("TZ", GetParam(), 1);
  ::tzset();
  TempFolder folder;
  Book book = must(Book::open(folder / "b.sqlite", Book::Access::make));
  fill_version_1(book);
  const auto state = must(book.last_state(must(book.plate("Lock in snow")).id))->id;
  const auto plan = must(book.current_plan(state))->id;
  // 2026-03-29 and 2026-10-25 01:00 UTC (Europe), 2038, 2028-02-29, 2026-12-31, in ms.
  for (const WallMs at :
       {1774746000000, 1792890000000, 2147483647000, 1835395200000, 1798761599000}) {
    BathClock clock = clock_at_noon(book, state, plan);
    clock.started = at - 90000;
    const Id id = must(book.start_clock(clock));
    must(book.pause_clock(id, at + 30000));
    must(book.resume_clock(id, at + 60000));
    const Id bite = must(book.pull(id, at + 150000, "2026-10-25", ""));
    const auto bites = must(book.story(1, false)).bites;
    const auto done = std::ranges::find(bites, bite, &Bite::id);
    ASSERT_NE(done, bites.end());
    EXPECT_NEAR(done->minutes, 3.5, 1e-9) << at;
  }
  EXPECT_TRUE(must(book.check()).empty());
  ::setenv("TZ", zone.c_str(), 1);
  ::tzset();
}

INSTANTIATE_TEST_SUITE_P(Zones,
                         Moments,
                         testing::Values("UTC",
                                         "Europe/Berlin",
                                         "America/St_Johns",
                                         "Australia/Lord_Howe",
                                         "Pacific/Apia"),
                         [](const auto& test) {
                           std::string name = test.param;
                           std::replace(name.begin(), name.end(), '/', '_');
                           return name;
                         });

}  // namespace
}  // namespace rebite::book

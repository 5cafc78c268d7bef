// Kill -9, two processes, a full disk, a read-only folder, flipped bytes and cut files.
#include <SQLiteCpp/SQLiteCpp.h>

#include "tests/book/crash.h"

namespace rebite::book {
namespace {

TEST(BookCrash, NothingAcknowledgedIsLostWhenTheWriterIsKilled) {
  TempFolder folder;
  const KillCount count = kill_writers(folder / "b.sqlite", 100, 20260211);
  EXPECT_EQ(count.kills, 100);
  EXPECT_GT(count.acknowledged, 50);
  EXPECT_EQ(count.lost, 0);
  EXPECT_EQ(count.torn, 0);
  EXPECT_EQ(count.damaged, 0);
  RecordProperty("killed_inside_a_write", count.mid_write);
}

TEST(BookCrash, TwoWritersAtOnceLoseNothing) {
  TempFolder folder;
  const fs::path file = folder / "b.sqlite";
  const Id plate = must(must(Book::open(file, Book::Access::make))
                            .add_plate({0, "Shared", "copper", {150, 110}, {}, ""}));
  constexpr int each = 60;
  std::vector<pid_t> children;
  for (int who = 0; who < 2; ++who) {
    const pid_t child = ::fork();
    if (child == 0) {
      auto book = Book::open(file, Book::Access::write);
      int failed = book ? 0 : 1;
      for (int i = 0; book && i < each; ++i) {
        failed += book->add_state(state_of(plate, 1 + who * each + i)) ? 0 : 1;
      }
      ::_exit(failed);
    }
    children.push_back(child);
  }
  for (const pid_t child : children) {
    int status = 0;
    ::waitpid(child, &status, 0);
    EXPECT_TRUE(WIFEXITED(status) && WEXITSTATUS(status) == 0) << status;
  }
  Book book = must(Book::open(file, Book::Access::read));
  EXPECT_EQ(must(book.story(plate, false)).states.size(), 2U * each);
  EXPECT_TRUE(must(book.check()).empty());
}

TEST(BookCrash, OneThatWaitsTooLongIsTold) {
  TempFolder folder;
  Book book = filled_book(folder / "b.sqlite");
  SQLite::Database other((folder / "b.sqlite").string(), SQLite::OPEN_READWRITE);
  other.exec("BEGIN IMMEDIATE");
  const auto refused = book.add_plate({0, "Later", "copper", {50, 50}, {}, ""});
  other.exec("ROLLBACK");
  ASSERT_FALSE(refused.has_value());
  EXPECT_EQ(refused.error().kind, ProblemKind::io);
  EXPECT_TRUE(book.add_plate({0, "Later", "copper", {50, 50}, {}, ""}));
}

TEST(BookCrash, AFullDiskIsToldAndTheBookStaysAsItWas) {
  TempFolder folder;
  const fs::path file = folder / "b.sqlite";
  Book::Files before;
  {
    Book book = filled_book(file);
    before = must(book.export_files());
  }
  // The file may grow by 8 kB only, in a process that ignores the signal (writes fail with EFBIG).
  const int outcome = in_child([&] {
    ::signal(SIGXFSZ, SIG_IGN);
    const rlim_t most = fs::file_size(file) + 8192;
    const rlimit limit{most, most};
    ::setrlimit(RLIMIT_FSIZE, &limit);
    auto book = Book::open(file, Book::Access::write);
    if (!book) return 3;
    State big = state_of(1, 50);
    big.proofs[0].preview = std::string(200000, 'p');
    const auto added = book->add_state(big);
    if (added) return 4;
    if (added.error().kind != ProblemKind::io) return 5;
    return must(book->export_files()) == before ? 0 : 6;
  });
  EXPECT_EQ(outcome, 0);
  Book book = must(Book::open(file, Book::Access::read));
  EXPECT_TRUE(must(book.check()).empty());
  EXPECT_EQ(must(book.export_files()), before);
}

TEST(BookCrash, AReadOnlyFolderIsTold) {
  TempFolder folder;
  const fs::path file = folder / "b.sqlite";
  filled_book(file);
  fs::permissions(file, fs::perms::owner_read | fs::perms::group_read | fs::perms::others_read);
  fs::permissions(folder.path(), fs::perms(0555));
  const int outcome = in_child([&] {
    // The administrator may write anywhere: become nobody.
    if (::geteuid() == 0 && ::setuid(65534) != 0) return 9;
    auto reader = Book::open(file, Book::Access::read);
    if (!reader || reader->plates()->size() != 2) return 3;
    auto writer = Book::open(file, Book::Access::write);
    if (writer) {
      const auto added = writer->add_plate({0, "No", "copper", {50, 50}, {}, ""});
      if (added || added.error().kind != ProblemKind::cannot_create) return 4;
    } else if (writer.error().kind != ProblemKind::cannot_create) {
      return 5;
    }
    auto made = Book::open(folder / "new.sqlite", Book::Access::make);
    return !made && made.error().kind == ProblemKind::cannot_create ? 0 : 6;
  });
  fs::permissions(folder.path(), fs::perms(0755));
  EXPECT_EQ(outcome, 0);
}

TEST(BookDamage, FlippedBytesAreToldOrHarmlessNeverACrash) {
  TempFolder folder;
  const FlipCount count = flip_bytes(folder, 150, 20260212);
  EXPECT_EQ(count.crashed, 0);
  EXPECT_EQ(count.missed, 0);
  EXPECT_GT(count.refused + count.found, 20);
}

TEST(BookDamage, CutFilesAreToldNeverACrash) {
  TempFolder folder;
  const FlipCount count = cut_files(folder, 40, 20260213);
  EXPECT_EQ(count.crashed, 0);
  EXPECT_EQ(count.missed, 0);
  EXPECT_EQ(count.harmless, 0);
}

TEST(BookDamage, AByteChangedInsideARecordIsFoundByCheck) {
  TempFolder folder;
  filled_book(folder / "b.sqlite");
  std::string bytes = bytes_of(folder / "b.sqlite");
  const auto at = bytes.find("still bath");
  ASSERT_NE(at, std::string::npos);
  bytes[at] = 'S';
  put_bytes(folder / "b.sqlite", bytes);
  Book book = must(Book::open(folder / "b.sqlite", Book::Access::read));
  const auto found = must(book.check());
  ASSERT_EQ(found.size(), 1U);
  EXPECT_EQ(found[0].where.substr(0, 5), "bites");
}

}  // namespace
}  // namespace rebite::book

// A book of an older version is brought up to date while the disk fails or the program is killed:
// the book tells the same, and the copy of the old one that stays beside it is whole or not there.
#include <gtest/gtest.h>
#include <signal.h>

#include <algorithm>
#include <cerrno>
#include <chrono>

#include "tests/faults/commands.h"

namespace rebite::faults {
namespace {
namespace fs = std::filesystem;

class OldBook : public testing::Test {
 protected:
  OldBook() : whole_(read_all(REBITE_SOURCE_DIR "/tests/book/kept/version-1.sqlite")) {
    reset();
    EXPECT_EQ(open({}).code, 0);
    told_ = told(book());
    EXPECT_EQ(told(kept()), told_);
  }
  fs::path book() const { return work_ / "book.sqlite"; }
  fs::path kept() const { return work_ / "book.sqlite.version-1"; }
  void reset() {
    work_.clear();
    put(book(), whole_);
  }
  Ended open(const Conditions& conditions) const {
    return run_program({"book", "open", "--book", book().string()}, conditions);
  }
  // What a copy of this book tells once it is brought up to date.
  std::string told(const fs::path& file) const {
    const WorkFolder aside;
    const std::string copy = (aside / "copy.sqlite").string();
    put(copy, read_all(file));
    const fs::path journal = file.string() + "-journal";
    if (fs::exists(journal)) put(copy + "-journal", read_all(journal));
    const auto opened = run_program({"book", "open", "--book", copy});
    if (opened.code != 0) return opened.err;
    // The scans that it names were never here; the book itself must be sound.
    const auto check = run_program({"book", "check", "--book", copy});
    if (check.out.find("The book is sound.") == std::string::npos) return check.out + check.err;
    return run_program({"book", "list", "--book", copy}).out;
  }
  void expect_nothing_lost(const std::string& when) const {
    if (fs::exists(kept())) {
      EXPECT_EQ(told(kept()), told_) << "the kept copy is torn: " << when;
    }
    EXPECT_EQ(told(book()), told_) << when;
    // The next run does what this one could not, and sees to its own copy.
    EXPECT_EQ(open({}).code, 0) << when;
    EXPECT_TRUE(fs::exists(kept())) << when;
    EXPECT_EQ(told(kept()), told_) << when;
  }

  WorkFolder work_;
  std::string whole_, told_;
};

TEST_F(OldBook, KilledBeforeAnyWriteItIsAllThere) {
  reset();
  const auto counts = count_calls({"book", "open", "--book", book().string()});
  ASSERT_GT(counts.at("write"), 10);
  for (const char* call : {"write", "fsync", "rename", "unlink"}) {
    const long all = counts.at(call), step = std::max(1L, all / 12);
    for (long n = 1; n <= all; n += step) {
      reset();
      const std::string fault = std::string(call) + ":" + std::to_string(n) + ":kill";
      EXPECT_EQ(open({.fault = fault}).signal, 9) << fault;
      expect_nothing_lost(fault);
    }
  }
}

TEST_F(OldBook, AFullOrFailingDiskIsToldAndCostsNothing) {
  reset();
  const auto counts = count_calls({"book", "open", "--book", book().string()});
  int turn = 0;
  for (const char* call : {"open", "write", "fsync", "rename"}) {
    const long all = counts.at(call), step = std::max(1L, all / 8);
    for (long n = 1; n <= all; n += step) {
      reset();
      const std::string fault = std::string(call) + ":" + std::to_string(n) + ":" +
                                std::to_string(turn++ % 2 ? EIO : ENOSPC);
      const auto ended = open({.fault = fault});
      EXPECT_EQ(ended.signal, 0) << fault;
      if (ended.code != 0) {
        EXPECT_NE(ended.err.find("book.sqlite"), std::string::npos) << fault << ended.err;
      }
      for (const auto& entry : fs::directory_iterator(work_.path())) {
        EXPECT_EQ(entry.path().filename().string().find(".rebite-tmp-"), std::string::npos)
            << fault << " left " << entry.path();
      }
      expect_nothing_lost(fault);
    }
  }
}

// The copy that is kept of the old book is no output of the plan.
TEST_F(OldBook, APlanThatIsStoppedSaysThatNothingWasWritten) {
  auto words = command("recorded").arguments;
  words[words.size() - 1] = book().string();
  *std::ranges::find(words, "Lock in snow") = "A plate of its own";
  *std::ranges::find(words, "{}/plan") = (work_ / "plan").string();
  reset();
  const auto whole = run_program(words);
  ASSERT_EQ(whole.code, 0) << whole.err;
  reset();
  const auto after = std::chrono::microseconds(static_cast<long>(whole.seconds * 0.6e6));
  const auto ended = run_program(words, {.signal_after = after, .signal = SIGINT});
  EXPECT_EQ(ended.code, 130) << ended.err;
  EXPECT_NE(ended.err.find("Nothing was written"), std::string::npos) << ended.err;
  EXPECT_FALSE(fs::exists(work_ / "plan"));
  expect_nothing_lost("a plan that was stopped");
}

}  // namespace
}  // namespace rebite::faults

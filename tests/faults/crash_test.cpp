// Killed at random moments, interrupted, terminated; stdout full or closed. `measure_faults kill`
// kills 1,000 times.
#include <gtest/gtest.h>
#include <signal.h>

#include <chrono>
#include <random>

#include "tests/faults/commands.h"

namespace rebite::faults {
namespace {
using std::chrono::microseconds;

TEST(KillNine, AtRandomMomentsTearsNothing) {
  std::mt19937_64 random(11);
  for (const char* name : {"wedge", "align", "export", "plan", "book"}) {
    Trial trial(command(name));
    const auto whole = static_cast<unsigned long>(trial.clean_seconds() * 1e6);
    for (int i = 0; i < 3; ++i) {
      const auto verdict = trial.run(
          {.signal_after = microseconds(random() % (whole + whole / 10)), .signal = SIGKILL});
      EXPECT_EQ(verdict.fault, "");
    }
  }
}

// A plan brings its plate, its batch and its state into the book, all or none: killed between two of
// them the plate stood there alone. SQLite ends each transaction by removing its journal.
TEST(KillNine, APlanGoesIntoTheBookWholeOrNotAtAll) {
  Trial trial(command("recorded"));
  const long transactions = trial.counts().at("unlink");
  ASSERT_GE(transactions, 1);
  for (long n = 1; n <= transactions; ++n) {
    const auto verdict = trial.run({.fault = "unlink:" + std::to_string(n) + ":kill"});
    EXPECT_EQ(verdict.fault, "") << n;
    EXPECT_EQ(verdict.ended.signal, SIGKILL) << n;
  }
}

// As where a library fails under Rebite: the shell's "Segmentation fault" alone tells a printmaker
// nothing of what became of the files.
TEST(Crash, IsToldAndTearsNothing) {
  Trial trial(command("plan"));
  const long reads = trial.counts().at("read");
  for (const long n : {1L, reads / 2, reads}) {
    const auto verdict = trial.run({.fault = "read:" + std::to_string(n) + ":crash"});
    if (verdict.ended.err.find("Sanitizer") != std::string::npos)
      GTEST_SKIP() << "a sanitizer tells crashes itself";
    EXPECT_EQ(verdict.fault, "");
    EXPECT_EQ(verdict.ended.signal, SIGSEGV);
    EXPECT_NE(verdict.ended.err.find("\nrebite: It broke off through a fault"), std::string::npos)
        << verdict.ended.err;
  }
}

// POSIX, Shell Command Language 2.8.2: a command ended by a signal is told as 128 and its number.
TEST(Signals, EndTheRunAndLeaveNothing) {
  Trial trial(command("plan"));
  for (const auto& [signal, code] : {std::pair{SIGINT, 130}, std::pair{SIGTERM, 143}}) {
    const auto after = microseconds(static_cast<long>(trial.clean_seconds() * 0.4e6));
    const auto verdict = trial.run({.signal_after = after, .signal = signal});
    EXPECT_EQ(verdict.fault, "");
    EXPECT_EQ(verdict.ended.code, code) << verdict.ended.err;
    EXPECT_NE(verdict.ended.err.find("Nothing was written"), std::string::npos);
  }
}

// From the first byte of a file on: the scans' headers, then their pixels. (It ended with 64 there.)
TEST(Signals, EndWithTheirCodeWhileFilesAreRead) {
  Trial trial(command("plan"));
  for (int n = 1; n <= 12; ++n) {
    const auto verdict = trial.run({.fault = "read:" + std::to_string(n) + ":stop"});
    EXPECT_EQ(verdict.fault, "") << n;
    EXPECT_EQ(verdict.ended.code, 130) << n << verdict.ended.err;
  }
}

// Wherever the plan is at that moment. (Half a second is asked of a machine that is not overrun.)
TEST(Signals, EndWithinHalfASecondAtAnyMoment) {
  Trial trial(command("plan"));
  for (const double share : {0.05, 0.2, 0.35, 0.5, 0.65, 0.8, 0.95}) {
    const double after = share * trial.clean_seconds();
    const auto verdict =
        trial.run({.signal_after = microseconds(static_cast<long>(after * 1e6)), .signal = SIGINT});
    EXPECT_EQ(verdict.fault, "") << share;
    EXPECT_LT(verdict.ended.seconds - after, 0.5) << share;
  }
}

// Nobody can be told, but the work is done and the exit code is right.
TEST(Stderr, FullDoesNotSpoilTheWork) {
  Trial trial(command("wedge"));
  for (const std::string to : {"/dev/full", "closed"}) {
    const auto verdict = trial.run({.stderr_to = to});
    EXPECT_EQ(verdict.fault, "") << to;
    EXPECT_EQ(verdict.ended.code, 0) << to;
  }
  EXPECT_EQ(run_program({"read", "/nowhere.tif", "--at", "1,1"}, {.stderr_to = "/dev/full"}).code,
            66);
}

TEST(Stdout, FullOrClosedIsTold) {
  for (const char* name : {"scanner", "wedge", "read", "book"}) {
    Trial trial(command(name));
    for (const std::string to : {"/dev/full", "closed"}) {
      const auto verdict = trial.run({.stdout_to = to});
      // The output is complete all the same; only what could not be printed is lost.
      EXPECT_EQ(verdict.fault, "") << to;
      EXPECT_EQ(verdict.ended.code, 74) << name << " to " << to;
      EXPECT_NE(verdict.ended.err.find("could not be printed"), std::string::npos)
          << verdict.ended.err;
    }
  }
}

}  // namespace
}  // namespace rebite::faults

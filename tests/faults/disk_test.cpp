// A disk that fails at the n-th call, for every n, under the built program. The measure program
// `measure_faults disk` runs every errno at every place; here the four take turns.
#include <gtest/gtest.h>

#include <algorithm>
#include <cerrno>

#include "tests/faults/commands.h"

namespace rebite::faults {
namespace {

constexpr int disk_errors[] = {ENOSPC, EIO, EROFS, EDQUOT};
const std::vector<std::string> disk_calls{
    "open", "read", "write", "fsync", "rename", "close", "mkdir", "unlink", "truncate"};

class DiskFaults : public testing::TestWithParam<const char*> {};

// Commands that take long have every k-th of their places tried; the measure program tries all.
long enough(const std::string& name) { return name == "plan" ? 4 : name == "book" || name == "align" ? 8 : 40; }

std::vector<std::pair<std::string, long>> places(const std::string& name,
                                                 const std::map<std::string, long>& counts,
                                                 const std::vector<std::string>& calls) {
  std::vector<std::pair<std::string, long>> all, some;
  for (const auto& call : calls) {
    for (long n = 1; n <= counts.at(call); ++n) all.emplace_back(call, n);
  }
  const auto step = std::max<std::size_t>(1, all.size() / static_cast<std::size_t>(enough(name)));
  for (std::size_t i = step / 2; i < all.size(); i += step) some.push_back(all[i]);
  return some;
}

std::string fault_at(const std::pair<std::string, long>& place, const std::string& what) {
  return place.first + ":" + std::to_string(place.second) + what;
}

TEST_P(DiskFaults, EveryCallInTurn) {
  Trial trial(command(GetParam()));
  int runs = 0, refused = 0;
  for (const auto& place : places(GetParam(), trial.counts(), disk_calls)) {
    const int error = disk_errors[runs++ % 4];
    const auto verdict = trial.run({.fault = fault_at(place, ":" + std::to_string(error))});
    EXPECT_EQ(verdict.fault, "");
    if (verdict.ended.code == 0) continue;
    ++refused;
    EXPECT_TRUE(verdict.ended.err.find("work-") != std::string::npos ||
                verdict.ended.err.find("material") != std::string::npos)
        << "no file is named: " << verdict.ended.err;
  }
  EXPECT_GT(refused, 0) << "no fault was felt: the shim does nothing";
}

// The disk is full from the n-th write on, and stays so.
TEST_P(DiskFaults, FullForGood) {
  Trial trial(command(GetParam()));
  for (const auto& place : places(GetParam(), trial.counts(), {"write"})) {
    const auto verdict = trial.run({.fault = fault_at(place, "+:" + std::to_string(ENOSPC))});
    EXPECT_EQ(verdict.fault, "");
    EXPECT_EQ(verdict.ended.code, 74) << verdict.ended.err;
  }
}

// A write that takes only half of the bytes is no failure: the rest follows.
TEST_P(DiskFaults, ShortWritesAreFinished) {
  Trial trial(command(GetParam()));
  if (trial.counts().at("write") == 0) GTEST_SKIP() << "writes nothing";
  const auto verdict = trial.run({.fault = "write:1+:short"});
  EXPECT_EQ(verdict.fault, "");
  EXPECT_EQ(verdict.ended.code, 0) << verdict.ended.err;
}

// kill -9 exactly before the n-th call of each kind that changes the disk.
TEST_P(DiskFaults, KilledBeforeEveryCall) {
  Trial trial(command(GetParam()));
  const std::vector<std::string> changing{"write", "fsync", "rename", "unlink"};
  for (const auto& place : places(GetParam(), trial.counts(), changing)) {
    const auto verdict = trial.run({.fault = fault_at(place, ":kill")});
    EXPECT_EQ(verdict.fault, "");
    EXPECT_EQ(verdict.ended.signal, 9);
  }
}

INSTANTIATE_TEST_SUITE_P(Commands,
                         DiskFaults,
                         testing::Values("scanner", "wedge", "read", "align", "copy", "export", "book"),
                         [](const auto& test) { return std::string(test.param); });

// The plan takes a second or two each time: a few of each.
TEST(PlanDiskFaults, AFewOfEach) {
  Trial trial(command("plan"));
  const auto counts = trial.counts();
  std::vector<std::string> faults{"write:1+:short", "write:3+:" + std::to_string(ENOSPC)};
  int turn = 0;
  for (const auto& place : places("plan", counts, disk_calls)) {
    faults.push_back(fault_at(place, ":" + std::to_string(disk_errors[turn++ % 4])));
  }
  for (const std::string place : {"write:2", "fsync:9", "rename:1", "rename:3", "unlink:2"})
    faults.push_back(place + ":kill");
  // The old folder's files, which cannot be moved or removed at the first try.
  for (const std::string place : {"rename:2", "rename:4", "unlink:1", "unlink:3"})
    faults.push_back(place + ":" + std::to_string(EIO));
  int refused = 0;
  for (const auto& fault : faults) {
    const auto verdict = trial.run({.fault = fault});
    EXPECT_EQ(verdict.fault, "");
    refused += verdict.ended.code > 0;
  }
  EXPECT_GT(refused, 0);
}

// A folder of one's own in the plan's folder: it cannot be swapped, and the files go in one by one.
// Where one can neither be swapped nor renamed, those before it are taken back.
TEST(PlanDiskFaults, FilesPutInOneByOneAreTakenBack) {
  Command beside = command("plan");
  beside.old.push_back("plan/photos/wash.txt");
  Trial trial(beside);
  // plan.json (1) and map.png (4) are there and are swapped, for the five others it is tried first.
  ASSERT_EQ(trial.counts().at("rename"), 2 + 2 * 5);
  for (const std::string both : {"1-2", "2-3", "4-5", "9-10", "11-12"}) {
    const auto verdict = trial.run({.fault = "rename:" + both + ":" + std::to_string(EIO)});
    EXPECT_EQ(verdict.fault, "") << both;
    EXPECT_EQ(verdict.ended.code, 74) << both << verdict.ended.err;
  }
  const auto rides = trial.run({.fault = "rename:4:" + std::to_string(EINVAL)});  // cannot swap
  EXPECT_EQ(rides.fault, "");
  EXPECT_EQ(rides.ended.code, 0);
  const auto stopped = trial.run({.fault = "rename:3:stop"});
  EXPECT_EQ(stopped.fault, "") << stopped.ended.err;
  EXPECT_TRUE(stopped.ended.code == 0 || stopped.ended.code == 130) << stopped.ended.code;
}

TEST(FileSizeLimit, IsToldAndLeavesTheOldFile) {
  for (const char* name : {"wedge", "scanner"}) {
    Trial trial(command(name));
    for (const std::size_t bytes : {1U, 2000U, 20000U}) {
      const auto verdict = trial.run({.fault = "", .max_file = bytes});
      EXPECT_EQ(verdict.fault, "");
      if (bytes == 20000) continue;
      EXPECT_EQ(verdict.ended.code, 74);
      if (bytes == 1) continue;  // the message itself does not fit into a file
      EXPECT_NE(verdict.ended.err.find("File too large"), std::string::npos) << verdict.ended.err;
    }
  }
}

}  // namespace
}  // namespace rebite::faults

// Too little memory: the n-th allocation fails, or the address space is small. A clear sentence and
// an unchanged folder are wanted, never a crash. `measure_faults memory` tries 500 places a
// command.
#include <gtest/gtest.h>

#include "tests/faults/commands.h"

namespace rebite::faults {
namespace {

class Allocations : public testing::TestWithParam<const char*> {};

TEST_P(Allocations, AnyOfThemMayFail) {
  Trial trial(command(GetParam()));
  const long all = trial.allocations();
  ASSERT_GT(all, 100);
  int failed = 0;
  // Densely at the start (options, opening files), then spread over the whole run.
  for (int i = 0; i < 12; ++i) {
    const long n = i < 4 ? 1 + i * 97 : 1 + all * (i - 4) / 8 + i;
    const auto verdict = trial.run(failing_allocation(n));
    EXPECT_EQ(verdict.fault, "");
    failed += verdict.ended.code != 0;
  }
  EXPECT_GT(failed, 0) << "no failed allocation was felt";
  // No memory from a place on, and never again.
  for (const long n : {all / 3, 2 * all / 3}) {
    const auto verdict = trial.run(failing_allocation(n, "+"));
    EXPECT_EQ(verdict.fault, "");
    EXPECT_EQ(verdict.ended.code, 74) << verdict.ended.err;
  }
}

INSTANTIATE_TEST_SUITE_P(Commands,
                         Allocations,
                         testing::Values("scanner", "wedge", "read", "align", "plan", "copy", "export", "book"),
                         [](const auto& test) { return std::string(test.param); });

// The last third of a plan's allocations is made while its sheets are drawn.
TEST(PlanAllocations, WhileTheSheetsAreDrawn) {
  Trial trial(command("plan"));
  const long all = trial.allocations();
  ASSERT_LT(all, trial.counts().at("alloc")) << "no library was spared";
  int told = 0;
  for (int i = 0; i < 10; ++i) {
    const auto verdict = trial.run(failing_allocation(all - all / 30 * i - 7));
    EXPECT_EQ(verdict.fault, "");
    told += verdict.ended.code == 74;
  }
  EXPECT_GT(told, 0);
}

// A sixth of its way a recorded plan has a folder in the studio that it fills. (It stayed there.)
TEST(PlanAllocations, OfARecordedPlan) {
  Trial trial(command("recorded"));
  const long all = trial.allocations();
  for (int i = 0; i < 10; ++i)
    EXPECT_EQ(trial.run(failing_allocation(all / 10 + all / 200 * i)).fault, "");
}

// The loader itself ends a program that does not even find room for its libraries (exit code 127):
// not ours to tell. Everything above must be told or done.
TEST(AddressSpace, SmallOnesAreTold) {
  for (const char* name : {"wedge", "read", "plan"}) {
    Trial trial(command(name));
    bool done = false;
    for (const std::size_t mib : {64U, 128U, 160U, 200U, 256U, 400U, 1024U, 2048U}) {
      const auto verdict = trial.run({.max_memory = mib << 20});
      if (verdict.ended.code == 127) continue;
      EXPECT_EQ(verdict.fault, "") << mib << " MiB";
      if (done) {
        EXPECT_EQ(verdict.ended.code, 0) << mib << " MiB, but less was enough";
      }
      done = done || verdict.ended.code == 0;
    }
    EXPECT_TRUE(done) << name << " does not run in 2 GiB";
  }
}

}  // namespace
}  // namespace rebite::faults

// Same input, same bytes: over runs, threads, locales, time zones and folders.
#include <gtest/gtest.h>

#include "tests/faults/commands.h"

namespace rebite::faults {
namespace {

Snapshot plan_with(const Conditions& conditions) {
  const WorkFolder work;
  std::vector<std::string> words;
  for (std::string word : command("plan").arguments) {
    if (const auto at = word.find("{}"); at != std::string::npos)
      word.replace(at, 2, work.path().string());
    words.push_back(word);
  }
  const auto ended = run_program(words, conditions);
  EXPECT_EQ(ended.code, 0) << ended.err;
  return snapshot(work.path());
}

void expect_same(const Snapshot& one, const Snapshot& other, const std::string& when) {
  EXPECT_EQ(one.size(), other.size()) << when;
  for (const auto& [name, bytes] : one) {
    const auto found = other.find(name);
    ASSERT_NE(found, other.end()) << name << " " << when;
    EXPECT_TRUE(found->second == bytes) << name << " differs " << when;
  }
}

TEST(SameBytes, TwiceAndInOtherZonesAndLocales) {
  const Snapshot first = plan_with({});
  ASSERT_GE(first.size(), 7U);
  expect_same(first, plan_with({}), "the second time");
  expect_same(first,
              plan_with({.environment = {{"TZ", "Pacific/Kiritimati"}, {"LC_ALL", "de_DE.UTF-8"}}}),
              "in another time zone and a locale with commas");
}

// OpenCV's pool and our own threads both take their number from the processors the program may use.
TEST(SameBytes, OnOneTwoAndEightThreads) {
  const Snapshot one = plan_with({.environment = {{"OPENCV_FOR_THREADS_NUM", "1"}}});
  for (const char* n : {"2", "8"}) {
    expect_same(one,
                plan_with({.environment = {{"OPENCV_FOR_THREADS_NUM", n}}}),
                std::string("on threads: ") + n);
  }
}

}  // namespace
}  // namespace rebite::faults

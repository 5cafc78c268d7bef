// Same input, same bytes: over runs, threads, locales, time zones and folders.
#include <gtest/gtest.h>
#include <langinfo.h>
#include <locale.h>

#include <cstdlib>

#include "tests/faults/commands.h"

namespace rebite::faults {
namespace {

// All that a command writes and prints.
Snapshot made_by(const std::string& name, const Conditions& conditions) {
  const WorkFolder work;
  std::vector<std::string> words;
  for (std::string word : command(name).arguments) {
    if (const auto at = word.find("{}"); at != std::string::npos)
      word.replace(at, 2, work.path().string());
    words.push_back(word);
  }
  const auto ended = run_program(words, conditions);
  EXPECT_EQ(ended.code, 0) << ended.err;
  Snapshot all = snapshot(work.path());
  if (name == "read") all["stdout"] = ended.out;
  return all;
}
Snapshot plan_with(const Conditions& conditions) { return made_by("plan", conditions); }

void expect_same(const Snapshot& one, const Snapshot& other, const std::string& when) {
  EXPECT_EQ(one.size(), other.size()) << when;
  for (const auto& [name, bytes] : one) {
    const auto found = other.find(name);
    ASSERT_NE(found, other.end()) << name << " " << when;
    EXPECT_TRUE(found->second == bytes) << name << " differs " << when;
  }
}

// The locales of the tests below are there and do write commas: else those tests tell nothing.
TEST(SameBytes, TheLocalesAreReal) {
  ASSERT_EQ(::setenv("LOCPATH", REBITE_FAULTS_DIR "/locales", 1), 0);
  for (const char* name : {"de_DE.UTF-8", "tr_TR.UTF-8"}) {
    const locale_t locale = ::newlocale(LC_ALL_MASK, name, nullptr);
    ASSERT_NE(locale, nullptr) << name;
    EXPECT_STREQ(::nl_langinfo_l(RADIXCHAR, locale), ",") << name;
    ::freelocale(locale);
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

// The other commands, under the same differences and in a Turkish locale (whose I has no dot).
TEST(SameBytes, OfScannerWedgeAndReadingsEverywhere) {
  const std::vector<Conditions> elsewhere{
      {},
      {.environment = {{"TZ", "America/St_Johns"}, {"LC_ALL", "tr_TR.UTF-8"}}},
      {.environment = {{"TZ", "Pacific/Kiritimati"}, {"LC_ALL", "de_DE.UTF-8"}, {"LANG", "de_DE"}}},
      {.environment = {{"OPENCV_FOR_THREADS_NUM", "1"}}},
      {.environment = {{"OPENCV_FOR_THREADS_NUM", "8"}}},
      {.without = {"LC_ALL", "HOME", "TMPDIR"}}};
  for (const char* name : {"scanner", "wedge", "read"}) {
    const Snapshot first = made_by(name, {});
    ASSERT_EQ(first.size(), 1U);
    for (std::size_t i = 0; i < elsewhere.size(); ++i) {
      expect_same(first, made_by(name, elsewhere[i]), name + (" case " + std::to_string(i)));
    }
  }
}

// What the book gives out does not depend on where it is read.
TEST(SameBytes, OfABooksExport) {
  const WorkFolder work;
  const std::string book = (work / "book.sqlite").string();
  ASSERT_EQ(run_program({"book", "plate", "Lock in snow", "--size", "40x30", "--book", book}).code,
            0);
  Snapshot first;
  for (const char* zone : {"UTC", "Asia/Kathmandu", "Pacific/Apia"}) {
    const std::string out = work / (std::string("export-") + std::string(zone).substr(0, 2));
    const auto said = run_program({"book", "export", out, "--book", book},
                                  {.environment = {{"TZ", zone}, {"LC_ALL", "de_DE.UTF-8"}}});
    ASSERT_EQ(said.code, 0) << said.err;
    const Snapshot now = snapshot(out);
    ASSERT_FALSE(now.empty());
    if (first.empty()) first = now;
    expect_same(first, now, zone);
  }
}

// OpenCV's pool takes its number from the machine. Alignment always works in two threads of its own;
// that one, two and eight give the same is held by HazardTest (tests/align).
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

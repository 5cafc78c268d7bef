// A plan that goes into the book and is kept beside it for the page, on a disk that fails: what is
// kept is whole or not there, the book stays sound, and the message says what happened.
#include <gtest/gtest.h>

#include <algorithm>
#include <cerrno>
#include <set>

#include "jobs/studio.h"
#include "tests/faults/commands.h"

namespace rebite::faults {
namespace {
namespace fs = std::filesystem;

class KeptPlan : public testing::Test {
 protected:
  std::string path(const std::string& name) const { return (work_ / name).string(); }
  Ended plan(const Conditions& conditions) {
    work_.clear();
    return run_program(arguments(), conditions);
  }
  std::vector<std::string> arguments() const {
    auto words = command("plan").arguments;
    for (auto& word : words) {
      if (word == "{}/plan") word = path("sheets");
    }
    words.insert(words.end(), {"--record", "Lock in snow", "--book", path("book.sqlite")});
    return words;
  }
  // Names of what lies in the studio's plans/NAME, down to the last picture.
  std::set<std::string> kept(const std::string& name) const {
    std::set<std::string> names;
    const fs::path folder = work_ / "book-studio" / "plans" / name;
    if (fs::exists(folder)) {
      for (const auto& [file, bytes] : snapshot(folder)) names.insert(file);
    }
    return names;
  }
  std::set<std::string> in_plans() const {
    std::set<std::string> names;
    const fs::path folder = work_ / "book-studio" / "plans";
    if (!fs::exists(folder)) return names;
    for (const auto& e : fs::directory_iterator(folder)) names.insert(e.path().filename().string());
    return names;
  }
  WorkFolder work_;
};

TEST_F(KeptPlan, IsWholeOrNotThere) {
  const auto counts = count_calls(arguments());
  ASSERT_EQ(plan({}).code, 0);
  const auto whole = kept("1");
  ASSERT_GT(whole.size(), 7U);
  const long renames = counts.at("rename"), folders = counts.at("mkdir"),
             syncs = counts.at("fsync");
  // The kept folder is the last to be renamed and the last whose parent is synced.
  const std::vector<std::string> faults{
      "rename:" + std::to_string(renames) + ":5",
      "fsync:" + std::to_string(syncs) + ":5",
      "fsync:" + std::to_string(syncs) + ":kill",
      "rename:" + std::to_string(renames) + ":kill",
      "mkdir:" + std::to_string(folders / 2) + ":28",
      "write:2:28",
      "open:" + std::to_string(counts.at("open") * 2 / 3) + ":28"};
  int refused = 0;
  for (const auto& fault : faults) {
    const auto ended = plan({.fault = fault});
    SCOPED_TRACE(fault + ": code " + std::to_string(ended.code) + ", said: " + ended.err);
    if (fault.ends_with("kill")) {
      EXPECT_EQ(ended.signal, 9);
    } else {
      ++refused;
      EXPECT_TRUE(ended.code == 73 || ended.code == 74);
      EXPECT_NE(ended.err.find("work-"), std::string::npos) << "no file is named";
    }
    const auto names = kept("1");
    EXPECT_TRUE(names.empty() || names == whole) << "half a plan is kept";
    if (!fs::exists(work_ / "book.sqlite")) continue;
    EXPECT_EQ(run_program({"book", "open", "--book", path("book.sqlite")}).code, 0);
    const auto told = run_program({"book", "list", "--book", path("book.sqlite")}).out;
    const bool recorded = told.find("1 states") != std::string::npos;
    EXPECT_TRUE(recorded || in_plans().empty() || ended.signal == 9)
        << "a plan that is not in the book left something behind";
    if (ended.code > 0 && recorded) {
      EXPECT_NE(ended.err.find("is in the book"), std::string::npos);
    }
  }
  EXPECT_EQ(refused, 5);
}

// The page's plans have their sheets there and nowhere else. (It said that they were written.)
TEST_F(KeptPlan, WhoseOnlySheetsAreLostIsToldSo) {
  const auto studio = jobs::Studio::beside(work_ / "book.sqlite");
  ASSERT_TRUE(studio.make_folders());
  fs::create_directories(studio.plans() / "1");
  put(studio.plans() / "1/in-the-way", "x");
  jobs::PlanRequest request;
  request.proof = material("proof.tif");
  request.drawing = material("drawing.tif");
  request.plate = {40, 30};
  request.record = "Lock in snow";
  request.book = studio.book;
  request.made_on = "2026-11-29T12:00:00Z";
  const auto report = jobs::plan_and_keep(studio, request, {});
  ASSERT_TRUE(report) << report.error().what;
  ASSERT_TRUE(report->recorded->not_kept);
  EXPECT_NE(report->recorded->not_kept->what.find("but its sheets were not kept"), std::string::npos)
      << report->recorded->not_kept->what;
  EXPECT_EQ(in_plans(), std::set<std::string>{"1"});
}

}  // namespace
}  // namespace rebite::faults

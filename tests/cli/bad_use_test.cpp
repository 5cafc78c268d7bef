// What the program says and returns when it is used wrongly or given what it cannot use: the list
// of the issue "the main job". Exit codes are those of interface.md (BSD sysexits).
#include <gtest/gtest.h>

#include <algorithm>
#include <chrono>
#include <fstream>

#include "tests/cli/run_rebite.h"
#include "tests/cli/small_studio.h"

namespace rebite::cli {
namespace {
using jobs::StudioCase;
using jobs::StudioFolder;

class BadUse : public ::testing::Test {
 protected:
  static void SetUpTestSuite() {
    const auto& studio = small_studio();
    StudioCase other{"other", 77};
    other.plate = studio.what.plate;
    StudioFolder elsewhere;
    make_studio(other, elsewhere);
    std::filesystem::copy_file(elsewhere / "drawing.tif", studio.folder / "other-plate.tif");
    auto untagged = studio.made.proof;
    untagged.dpi = 0;
    maker::write_scan(untagged, studio.file("untagged.tif"));
    std::ofstream(studio.folder / "text.tif") << "These are words, not a scan.\n";
  }
  void SetUp() override {
    ASSERT_EQ(small_studio().not_ready, "");
    before = small_studio().folder.entries();
  }
  void TearDown() override {
    EXPECT_EQ(small_studio().folder.entries(), before) << "an output was left behind";
  }

  static std::string file(const std::string& name) { return small_studio().file(name); }
  static std::vector<std::string> plan_with(const std::string& proof,
                                            const std::string& drawing,
                                            const std::string& plate = "70x50") {
    return {"plan",
            file(proof),
            file(drawing),
            "--batch",
            file("ferric.batch.json"),
            "--plate",
            plate,
            "--out",
            file("plan-out")};
  }
  // The message has one or two lines, names this, and this.
  static void expect(const Said& said, int code, const std::vector<std::string>& words) {
    EXPECT_EQ(said.code, code) << said.err;
    EXPECT_TRUE(said.out.empty()) << said.out;
    std::string message;
    std::istringstream lines(said.err);
    int n = 0;
    for (std::string line; std::getline(lines, line);) {
      if (line.starts_with("rebite:")) n = 0, message.clear();
      message += line + "\n";
      ++n;
    }
    EXPECT_TRUE(n == 1 || n == 2) << said.err;
    for (const auto& word : words)
      EXPECT_NE(message.find(word), std::string::npos) << word << " in\n" << message;
  }

  std::size_t before = 0;
};

TEST_F(BadUse, AMissingFile) {
  expect(run_rebite(plan_with("nowhere.tif", "drawing.tif")), 66, {"nowhere.tif"});
  expect(run_rebite({"read", file("nowhere.tif"), "--at", "1,1"}), 66, {"nowhere.tif"});
}

TEST_F(BadUse, TextNamedTif) {
  expect(run_rebite(plan_with("text.tif", "drawing.tif")), 65, {"text.tif"});
}

TEST_F(BadUse, AScanWithoutResolution) {
  expect(run_rebite(plan_with("untagged.tif", "drawing.tif")), 65, {"untagged.tif", "--dpi"});
  expect(run_rebite({"read", file("untagged.tif"), "--at", "100,100"}), 65, {"--dpi"});
  EXPECT_EQ(run_rebite({"read", file("untagged.tif"), "--at", "400,300", "--dpi", "300"}).code, 0);
}

// The small studio's wedge was read without a curve.
TEST_F(BadUse, ScansReadOtherwiseThanTheirWedge) {
  auto words = plan_with("proof.tif", "drawing.tif");
  const std::string curve = std::string(REBITE_SOURCE_DIR) + "/tests/fuzz/seeds/json/scanner.json";
  words.insert(words.end(), {"--scanner", curve});
  expect(run_rebite(words),
         65,
         {"without a scanner curve", "scanner.json", "wrong by a factor", "--other-scanner"});
}

TEST_F(BadUse, WedgeStepsOutOfOrder) {
  expect(run_rebite({"wedge",
                     file("wedge.tif"),
                     "--times",
                     "0s,15s,8min,1min,2min,4min,30s,16min,30min",
                     "--out",
                     file("x.batch.json")}),
         65,
         {"wedge.tif", "8:00", "1:00"});
}

TEST_F(BadUse, TwoDifferentPlates) {
  expect(
      run_rebite(plan_with("proof.tif", "other-plate.tif")), 65, {"proof.tif", "other-plate.tif"});
}

TEST_F(BadUse, APlateSizeThatThePlateMarkContradicts) {
  expect(run_rebite(plan_with("proof.tif", "drawing.tif", "80x50")),
         65,
         {"80.0 x 50.0", "mm on the paper", "5 %"});
}

TEST_F(BadUse, TimesWithoutUnit) {
  expect(
      run_rebite({"wedge", file("wedge.tif"), "--times", "0,15,30", "--out", file("x.batch.json")}),
      64,
      {"'15'", "15s"});
}

TEST_F(BadUse, MoreTimesThanSteps) {
  expect(run_rebite({"wedge",
                     file("wedge.tif"),
                     "--times",
                     "0s,15s,30s,1min,2min,4min,8min,16min,30min,40min,50min",
                     "--out",
                     file("x.batch.json")}),
         65,
         {"11", "wedge.tif"});
}

TEST_F(BadUse, NumbersOfAPlanThatCannotBe) {
  const auto with = [&](const std::string& option, const std::string& value) {
    auto plan = plan_with("proof.tif", "drawing.tif");
    plan.insert(plan.end(), {option, value});
    return run_rebite(plan);
  };
  expect(with("--brush", "500"), 64, {"'500' is not a brush's width", "0.5 to 50"});
  expect(with("--brush", "4cm"), 64, {"'4cm'"});
  expect(with("--brush", "40mm"), 64, {"40 mm is too broad for a plate of 70 x 50 mm", "12.5 mm"});
  expect(with("--risk", "70%"), 64, {"'70%'", "--risk 20%"});
  expect(with("--risk", "0"), 64, {"0.01 to 0.5"});
  expect(with("--shortest=-5s", "--json"), 64, {"never negative"});
}

TEST_F(BadUse, AnImpressionThatIsTheProof) {
  auto plan = plan_with("proof.tif", "drawing.tif");
  plan.insert(plan.end(), {"--impression", file("proof.tif")});
  expect(run_rebite(plan), 64, {"proof.tif: is given twice", "a sheet of its own"});
}

TEST_F(BadUse, AnOutputThatIsAnInput) {
  expect(run_rebite({"wedge",
                     file("wedge.tif"),
                     "--times",
                     "0s,15s,30s,1min,2min,4min,8min,16min,30min",
                     "--out",
                     file("wedge.tif")}),
         64,
         {"wedge.tif"});
}

TEST_F(BadUse, AnOutputFolderThatIsNotThere) {
  auto arguments = plan_with("proof.tif", "drawing.tif");
  arguments.back() = file("none/plan");
  expect(run_rebite(arguments), 73, {"none"});
}

TEST_F(BadUse, WrongWords) {
  expect(run_rebite({}), 64, {});
  expect(run_rebite({"bite"}), 64, {"--help"});
  expect(run_rebite({"plan",
                     file("proof.tif"),
                     file("drawing.tif"),
                     "--plate",
                     "70x50",
                     "--out",
                     file("p"),
                     "--stag",
                     "3"}),
         64,
         {"--stages"});
  expect(run_rebite(
             {"plan", file("proof.tif"), file("drawing.tif"), "--plate", "70", "--out", file("p")}),
         64,
         {"70", "180x130"});
  expect(
      run_rebite({"wedge", file("wedge.tif"), "--out", file("x.json")}), 64, {"--times", "--dips"});
}

TEST_F(BadUse, HelpAndVersionGoToStdout) {
  for (const std::vector<std::string>& a : {std::vector<std::string>{"--help"},
                                            {"--version"},
                                            {"plan", "--help"},
                                            {"wedge", "--help"},
                                            {"read", "--help"},
                                            {"align", "--help"},
                                            {"scanner", "--help"}}) {
    const auto said = run_rebite(a);
    EXPECT_EQ(said.code, 0) << a.front();
    EXPECT_FALSE(said.out.empty());
    EXPECT_TRUE(said.err.empty()) << said.err;
  }
}

// 20 to 30 ms on a quiet machine; the thread that waits for Ctrl-C was once waited for up to 50 ms
// more at every end. The best of some: others may work on the machine.
TEST_F(BadUse, HelpDoesNotWaitForAnything) {
  double best = 1e9;
  for (int k = 0; k < 15; ++k) {
    const auto begun = std::chrono::steady_clock::now();
    ASSERT_EQ(run_rebite({"--help"}).code, 0);
    const std::chrono::duration<double, std::milli> took = std::chrono::steady_clock::now() - begun;
    best = std::min(best, took.count());
  }
  EXPECT_LT(best, 45);
}

TEST_F(BadUse, AFullStdoutIsSaid) {
  const auto said = run_rebite({"--help"}, "/dev/full");
  EXPECT_EQ(said.code, 74);
  EXPECT_NE(said.err.find("could not be printed"), std::string::npos);
}

TEST_F(BadUse, JsonIsAloneOnStdout) {
  const auto said = run_rebite({"read", file("proof.tif"), "--at", "400,300", "--json"});
  ASSERT_EQ(said.code, 0) << said.err;
  EXPECT_EQ(said.out.front(), '{');
  EXPECT_EQ(said.out.substr(said.out.size() - 2), "}\n");
}

}  // namespace
}  // namespace rebite::cli

// What a user gave must still be there afterwards, and the book must hold what was planned with.
#include <gtest/gtest.h>

#include <chrono>
#include <filesystem>
#include <thread>

#include "tests/faults/commands.h"

namespace rebite::faults {
namespace {
namespace fs = std::filesystem;

std::vector<std::string> plan_of(const fs::path& proof,
                                 const fs::path& drawing,
                                 const fs::path& out) {
  std::vector<std::string> words = command("plan").arguments;
  words[1] = proof.string(), words[2] = drawing.string();
  words.back() = out.string();
  return words;
}

TEST(Inputs, ADrawingAmongThePlansOwnFilesIsNotReplaced) {
  const WorkFolder work;
  fs::create_directories(work / "state-3");
  const fs::path drawing = work / "state-3/next-proof.png";
  fs::copy_file(material("drawing.tif"), drawing);
  const auto before = snapshot(work.path());
  const auto ended = run_program(plan_of(material("proof.tif"), drawing, work / "state-3"));
  EXPECT_EQ(ended.code, 64) << ended.err;
  EXPECT_NE(ended.err.find("next-proof.png"), std::string::npos) << ended.err;
  EXPECT_EQ(snapshot(work.path()), before);
}

TEST(Inputs, APictureThatWasPaintedOverInThePlansFolderIsKept) {
  const WorkFolder work;
  const auto words = plan_of(material("proof.tif"), material("drawing.tif"), work / "plan");
  ASSERT_EQ(run_program(words).code, 0);
  const auto again = run_program(words);
  ASSERT_EQ(again.code, 0) << again.err;  // nothing was changed: replaced as ever
  fs::copy_file(work / "plan/map.png",
                work / "plan/next-proof.png",
                fs::copy_options::overwrite_existing);
  const auto before = snapshot(work.path());
  const auto ended = run_program(words);
  EXPECT_EQ(ended.code, 73) << ended.err;
  EXPECT_NE(ended.err.find("next-proof.png: was changed"), std::string::npos) << ended.err;
  EXPECT_EQ(snapshot(work.path()), before);
  fs::remove(work / "plan/next-proof.png");
  EXPECT_EQ(run_program(words).code, 0);
}

// The pair would not be aligned either: the mask must be told of before that is tried.
TEST(Inputs, AMaskThatCannotBeUsedIsToldBeforeThePairIsAligned) {
  const WorkFolder work;
  auto words = plan_of(material("proof.tif"), material("wedge.tif"), work / "plan");
  words.insert(words.end() - 2, {std::string("--leave"), material("greys.tif")});
  const auto ended = run_program(words);
  EXPECT_EQ(ended.code, 65) << ended.err;
  EXPECT_NE(ended.err.find("greys.tif: is "), std::string::npos) << ended.err;
}

TEST(Inputs, TheBookIsNotReplacedByItsOwnStory) {
  const WorkFolder work;
  const std::string book = (work / "book.sqlite").string();
  ASSERT_EQ(run_program({"book", "plate", "Lock in snow", "--size", "40x30", "--book", book}).code,
            0);
  const auto before = snapshot(work.path());
  for (const std::string& out : {book, (work / "./book.sqlite").string()}) {
    const auto ended = run_program({"book", "show", "Lock in snow", "--html", out, "--book", book});
    EXPECT_EQ(ended.code, 73) << ended.err;
    EXPECT_NE(ended.err.find("record book"), std::string::npos) << ended.err;
    EXPECT_EQ(snapshot(work.path()), before);
  }
}

TEST(Inputs, AProofThatIsReplacedMeanwhileIsNotRecorded) {
  const WorkFolder work;
  fs::copy_file(material("proof.tif"), work / "proof.tif");
  fs::copy_file(material("drawing.tif"), work / "other.tif");
  auto words = plan_of(work / "proof.tif", material("drawing.tif"), work / "plan");
  const auto clean = run_program(words);
  ASSERT_EQ(clean.code, 0) << clean.err;
  fs::remove_all(work / "plan");
  for (const std::string& word : {std::string("--record"),
                                  std::string("Lock in snow"),
                                  std::string("--book"),
                                  (work / "book.sqlite").string()}) {
    words.push_back(word);
  }
  const std::jthread changer([&] {
    std::this_thread::sleep_for(std::chrono::duration<double>(0.4 * clean.seconds));
    fs::rename(work / "other.tif", work / "proof.tif");
  });
  const auto ended = run_program(words);
  EXPECT_EQ(ended.code, 65) << ended.err;
  EXPECT_NE(ended.err.find("was changed while"), std::string::npos) << ended.err;
  EXPECT_FALSE(fs::exists(work / "plan"));
  const auto listed = run_program({"book", "list", "--book", (work / "book.sqlite").string()});
  EXPECT_EQ(listed.out.find("Lock in snow"), std::string::npos) << listed.out;
}

TEST(Inputs, ACopyThatCannotBeMadeIsNotToldOfTheBook) {
  const WorkFolder work;
  const std::string book = (work / "book.sqlite").string(),
                    copy = (work / "nowhere/copy.sqlite").string();
  ASSERT_EQ(run_program({"book", "plate", "Lock in snow", "--size", "40x30", "--book", book}).code,
            0);
  const auto ended = run_program({"book", "copy", copy, "--book", book});
  EXPECT_EQ(ended.code, 73) << ended.err;
  EXPECT_NE(ended.err.find("copy.sqlite"), std::string::npos) << ended.err;
  EXPECT_EQ(ended.err.find("book.sqlite"), std::string::npos) << ended.err;
}

TEST(Inputs, AFileFarTooLongForABatchIsRefusedBeforeItIsRead) {
  const WorkFolder work;
  put(work / "long.batch.json", "[" + std::string(std::size_t{60} << 20U, '1') + "]");
  auto words = command("plan").arguments;
  words[4] = (work / "long.batch.json").string();
  words.back() = (work / "plan").string();
  const auto ended = run_program(words);
  EXPECT_EQ(ended.code, 65) << ended.err;
  EXPECT_LT(ended.peak_kib, 300 * 1024);
  EXPECT_NE(ended.err.find("long.batch.json"), std::string::npos) << ended.err;
}

// The outputs are in place and the book is being written: what is said must be true of both.
TEST(Inputs, CtrlCAtTheVeryEndDoesNotDenyWhatWasWritten) {
  Trial trial(command("recorded"));
  const long all = trial.counts().at("fsync");
  ASSERT_GT(all, 5);
  for (long n = all - 5; n <= all; ++n) {
    const auto verdict = trial.run({.fault = "fsync:" + std::to_string(n) + ":stop"});
    EXPECT_EQ(verdict.fault, "") << n;
  }
}

}  // namespace
}  // namespace rebite::faults

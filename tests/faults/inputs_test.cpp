// What a user gave must still be there afterwards, and the book must hold what was planned with.
#include <gtest/gtest.h>
#include <signal.h>

#include <chrono>
#include <filesystem>
#include <thread>

#include "book/book.h"
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
  EXPECT_NE(ended.err.find("replace next-proof.png, which"), std::string::npos) << ended.err;
  EXPECT_EQ(snapshot(work.path()), before);
  fs::remove(work / "plan/next-proof.png");
  EXPECT_EQ(run_program(words).code, 0);

  fs::copy_file(work / "plan/map.png", work / "painted.png");
  const std::jthread painter([&] {  // while the plan is made
    std::this_thread::sleep_for(std::chrono::duration<double>(0.4 * again.seconds));
    fs::rename(work / "painted.png", work / "plan/next-proof.png");
  });
  const auto late = run_program(words);
  EXPECT_EQ(late.code, 73) << late.err;
  EXPECT_EQ(snapshot(work / "plan").at("next-proof.png"), snapshot(work / "plan").at("map.png"));
}

TEST(Inputs, AFolderThatHoldsNoPlanIsNotTakenForOne) {
  const WorkFolder work;
  const auto words = plan_of(material("proof.tif"), material("drawing.tif"), work / "plan");
  for (const std::string name : {"report.html", "map.svg", "plan.json"}) {
    work.clear();
    fs::create_directories(work / "plan");
    put(work / "plan" / name, R"({"mine": 1})");
    const auto before = snapshot(work.path());
    const auto ended = run_program(words);
    EXPECT_EQ(ended.code, 73) << ended.err;
    EXPECT_NE(ended.err.find(name), std::string::npos) << ended.err;
    EXPECT_EQ(snapshot(work.path()), before);
  }
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
  const std::string book = (work / "book.html").string();
  ASSERT_EQ(run_program({"book", "plate", "Lock in snow", "--size", "40x30", "--book", book}).code,
            0);
  const auto before = snapshot(work.path());
  for (const std::string& out : {book, (work / "./book.html").string()}) {
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
  words.insert(words.end(), {"--record", "Lock in snow", "--book", (work / "book.sqlite").string()});
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

// A program that keeps copies elsewhere, or a touch, makes no other file of it.
TEST(Inputs, AProofThatIsCopiedOverItselfMeanwhileIsRecorded) {
  const WorkFolder work;
  fs::copy_file(material("proof.tif"), work / "proof.tif");
  fs::copy_file(material("proof.tif"), work / "same.tif");
  auto words = plan_of(work / "proof.tif", material("drawing.tif"), work / "plan");
  words.insert(words.end(), {"--record", "Lock in snow", "--book", (work / "book.sqlite").string()});
  const auto clean = run_program(words);
  ASSERT_EQ(clean.code, 0) << clean.err;
  fs::remove_all(work / "plan");
  fs::remove(work / "book.sqlite");
  fs::remove_all(work / "book-studio");
  const std::jthread changer([&] {
    std::this_thread::sleep_for(std::chrono::duration<double>(0.4 * clean.seconds));
    fs::rename(work / "same.tif", work / "proof.tif");
  });
  const auto ended = run_program(words);
  EXPECT_EQ(ended.code, 0) << ended.err;
  EXPECT_FALSE(fs::exists(work / "same.tif"));
}

TEST(Inputs, AMeasuredCurveIsNotReplacedByAPicture) {
  const WorkFolder work;
  const std::string book = (work / "book.sqlite").string();
  fs::copy_file(command("plan").arguments[4], work / "ferric.batch.json");
  fs::copy_file(command("plan").arguments[4], work / "ferric.svg");
  const auto before = snapshot(work.path());
  for (const char* name : {"ferric.batch.json", "ferric.svg"}) {
    const std::string file = (work / name).string();
    const auto ended = run_program({"book", "batch", file, "--plot", file, "--book", book});
    EXPECT_TRUE(ended.code == 64 || ended.code == 73) << ended.err;
    EXPECT_NE(ended.err.find(name), std::string::npos) << ended.err;
    EXPECT_EQ(snapshot(work.path()), before);
  }
  const auto scanner = run_program({"scanner",
                                    material("greys.tif"),
                                    "--densities",
                                    "0.07,0.30,0.62,1.00,1.42,1.65",
                                    "--out",
                                    (work / "ferric.batch.json").string()});
  EXPECT_EQ(scanner.code, 73) << scanner.err;
  EXPECT_EQ(snapshot(work.path()), before);
}

// Told before the work: the pair would not be aligned either.
TEST(Inputs, AScanThatHasANameOfThePlansFilesIsToldAtOnce) {
  const WorkFolder work;
  fs::create_directories(work / "plan");
  fs::copy_file(material("proof.tif"), work / "plan/map.png");
  const auto ended = run_program(plan_of(material("proof.tif"), material("wedge.tif"), work / "plan"));
  EXPECT_EQ(ended.code, 73) << ended.err;
  EXPECT_NE(ended.err.find("map.png: is a TIFF picture"), std::string::npos) << ended.err;
}

// The root of a disk, a folder in one of somebody else: nothing can be made beside it.
TEST(Inputs, AFolderThatMayBeWrittenWhereItsParentMayNot) {
  const WorkFolder work;
  fs::create_directories(work / "shelf/plan");
  fs::permissions(work / "shelf/plan", fs::perms::all);
  const auto words = plan_of(material("proof.tif"), material("drawing.tif"), work / "shelf/plan");
  const auto ended = run_program(words, {.as_nobody = true});
  EXPECT_EQ(ended.code, 0) << ended.err;
  EXPECT_TRUE(fs::exists(work / "shelf/plan/plan.json"));
  EXPECT_EQ(snapshot(work / "shelf").size(), 8U);  // the folder and its seven files
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

// The outputs are in place, and the book that somebody else writes in is waited for: what is said must
// be true of both.
TEST(Inputs, CtrlCAtTheVeryEndDoesNotDenyWhatWasWritten) {
  const WorkFolder work;
  const fs::path book = work / "book.sqlite";
  auto words = plan_of(material("proof.tif"), material("drawing.tif"), work / "plan");
  ASSERT_EQ(run_program({"book", "plate", "Lock in snow", "--size", "40x30", "--book", book.string()})
                .code,
            0);
  const auto clean = run_program(words);
  ASSERT_EQ(clean.code, 0) << clean.err;
  fs::remove_all(work / "plan");
  words.insert(words.end(), {"--record", "Lock in snow", "--book", book.string()});
  auto mine = book::Book::open(book, book::Book::Access::write);
  ASSERT_TRUE(mine) << mine.error().what;
  Ended ended;
  ASSERT_TRUE(mine->together([&]() -> Result<void> {
    ended = run_program(
        words,
        {.signal_after = std::chrono::microseconds(static_cast<long>(clean.seconds * 1e6) + 2'000'000),
         .signal = SIGINT});
    return {};
  }));
  EXPECT_EQ(ended.code, 130) << ended.err;
  EXPECT_NE(ended.err.find("What is written is complete"), std::string::npos) << ended.err;
  EXPECT_EQ(snapshot(work / "plan").size(), 7U);
}

}  // namespace
}  // namespace rebite::faults

// Scans that are read otherwise than their wedge: refused, or said; and the curves a studio keeps.
#include "jobs/scanner_match.h"

#include <gmock/gmock.h>

#include <chrono>
#include <fstream>
#include <nlohmann/json.hpp>

#include "files/files.h"
#include "jobs/from_book.h"
#include "jobs/studio.h"
#include "tests/book/books.h"
#include "tests/jobs/studio.h"
#include "tests/plan/hand_batch.h"

namespace rebite::jobs {
namespace {
using testing::HasSubstr;
using testing::Not;

std::string curve_text(double flare) {
  scan::ScannerCurve c;
  c.code = {0.1, 0.5, 0.9};
  c.reflectance = {0.02, 0.2, 0.9};
  c.flare = flare;
  c.patches = {{Density::of(0.05), 0.9, 0}, {Density::of(0.7), 0.5, 0}, {Density::of(1.7), 0.1, 0}};
  return scan::to_json(c);
}

class ScannerMatch : public testing::Test {
 protected:
  std::filesystem::path file(const char* name, double flare) const {
    std::ofstream(folder / name) << curve_text(flare);
    return folder / name;
  }
  static ScanChoice read_with(const std::filesystem::path& curve) {
    ScanChoice choice;
    choice.scanner = curve;
    return choice;
  }
  StudioFolder folder;
  std::filesystem::path one = file("one.scanner.json", 0.001),
                        other = file("other.scanner.json", 0.002);
  wedge::Batch batch = plan::batch_through({0, 1, 4}, {0.05, 0.5, 1.2}, 0.01, 1.4);
};

TEST_F(ScannerMatch, AlikeIsNothingToSay) {
  batch.scanner = *wedge_scanner(one);
  EXPECT_EQ(batch.scanner.curve, "one.scanner.json");
  EXPECT_EQ(batch.scanner.sha256, files::sha256(curve_text(0.001)));
  EXPECT_TRUE(scanner_fits(batch, read_with(one))->empty());
  // The same curve under another name is the same curve.
  std::filesystem::copy_file(one, folder / "copy.scanner.json");
  EXPECT_TRUE(scanner_fits(batch, read_with(folder / "copy.scanner.json"))->empty());
  batch.scanner = *wedge_scanner({});
  EXPECT_TRUE(scanner_fits(batch, {})->empty());
}

TEST_F(ScannerMatch, EveryOtherWayIsRefusedUnlessItIsMeant) {
  const std::filesystem::path none;
  const std::pair<std::filesystem::path, std::filesystem::path> pairs[] = {
      {one, none}, {one, other}, {none, one}};
  for (const auto& [wedge, scans] : pairs) {
    batch.scanner = *wedge_scanner(wedge);
    ScanChoice choice = read_with(scans);
    const auto refused = scanner_fits(batch, choice);
    ASSERT_FALSE(refused.has_value()) << wedge << scans;
    EXPECT_EQ(refused.error().kind, ProblemKind::data);
    EXPECT_THAT(refused.error().what, HasSubstr("wrong by a factor"));
    EXPECT_THAT(refused.error().next, HasSubstr("--other-scanner"));
    choice.other_scanner = true;
    const auto meant = scanner_fits(batch, choice);
    ASSERT_TRUE(meant.has_value());
    ASSERT_EQ(meant->size(), 1U);
    EXPECT_THAT(meant->front(), HasSubstr("as you asked"));
  }
}

TEST_F(ScannerMatch, TwoFilesOfOneNameAreNotSentBackToThatName) {
  batch.scanner = *wedge_scanner(one);
  std::filesystem::create_directory(folder / "new");
  const auto refused = scanner_fits(batch, read_with(file("new/one.scanner.json", 0.003)));
  ASSERT_FALSE(refused.has_value());
  EXPECT_THAT(refused.error().next, HasSubstr("same name but another content"));
  EXPECT_THAT(refused.error().next, Not(HasSubstr("--scanner ")));
  EXPECT_THAT(scanner_fits(batch, read_with(other)).error().next,
              HasSubstr("--scanner 'one.scanner.json'"));
}

// The wedge was read without a curve, the plan's proof with the curve `one` (--other-scanner).
struct PlanReadOtherwise : ScannerMatch {
  PlanReadOtherwise()
      : book(book::must(book::Book::open(folder / "b.sqlite", book::Book::Access::make))) {
    batch.scanner = *wedge_scanner({});
    const auto plate = book::must(book.add_plate({0, "Weir", "copper", {110, 80}, {}, ""}));
    const auto bath = book::must(book.add_batch({0, "f", "ferric chloride", "", "", {}}));
    planned.state.plate = plate;
    planned.state.number = 1;
    planned.state.date = "2026-02-01";
    planned.plan.made_on = "2026-02-01";
    planned.plan.wedge =
        book::must(book.add_wedge({0, bath, "2026-01-21", wedge::to_json(batch)}));
    planned.plan.text = "{\"format\":\"rebite-plan\"}";
  }
  // With it the plan's record as the book gives it back.
  book::PlanRecord recorded() {
    const auto [state, plan] = book::must(book.add_planned(planned));
    return *book::must(book.current_plan(state));
  }
  book::Book book;
  book::Book::Planned planned;
};

TEST_F(PlanReadOtherwise, TheNewProofIsHeldAgainstThePlansOwn) {
  planned.plan.text = *with_scanner(planned.plan.text, one);
  const auto plan = recorded();
  const auto same = read_unlike_plan(book, plan, read_with(one));
  ASSERT_TRUE(same.has_value());
  EXPECT_FALSE(same->mismatch) << *same->mismatch;
  EXPECT_TRUE(same->notes.empty());
  for (const auto& scans : {std::filesystem::path(), other}) {
    const auto differ = read_unlike_plan(book, plan, read_with(scans));
    ASSERT_TRUE(differ.has_value());
    ASSERT_TRUE(differ->mismatch) << scans;
    EXPECT_THAT(*differ->mismatch, HasSubstr("the plan's proof was read with the scanner curve"));
    EXPECT_THAT(differ->next, HasSubstr("--scanner 'one.scanner.json'"));
  }
}

TEST_F(PlanReadOtherwise, APlanChangedByHandWasReadAsItsOriginal) {
  const std::string bare = planned.plan.text;
  planned.plan.text = *with_scanner(bare, one);
  const auto original = recorded();
  book::PlanRecord changed = original;
  changed.text = bare;
  book::must(book.add_edit({0, 0, original.id, "", "region 1: hold", ""}, changed, {}));
  const auto current = *book::must(book.current_plan(original.state));
  ASSERT_NE(current.id, original.id);
  EXPECT_FALSE(read_unlike_plan(book, current, read_with(one))->mismatch);
  EXPECT_TRUE(read_unlike_plan(book, current, {})->mismatch);
}

TEST_F(PlanReadOtherwise, WhereTheBookDoesNotSayTheWedgeStandsInAndIsNamed) {
  const auto plan = recorded();
  const auto alike = read_unlike_plan(book, plan, {});
  EXPECT_FALSE(alike->mismatch);
  ASSERT_EQ(alike->notes.size(), 1U);
  EXPECT_THAT(alike->notes.front(), HasSubstr("does not say how the plan's proof was read"));
  EXPECT_THAT(*read_unlike_plan(book, plan, read_with(one))->mismatch, HasSubstr("the wedge of"));
}

TEST_F(ScannerMatch, OnlyWhatLayUnfinishedForADayIsSweptAway) {
  const Studio studio = Studio::beside(folder / "book.sqlite");
  ASSERT_TRUE(studio.make_folders());
  // No program has such a number: as that of another machine on the same folder.
  const auto fresh = studio.plans() / "new-2147483646-1", old = studio.plans() / "new-2147483646-2";
  std::filesystem::create_directory(fresh);
  std::filesystem::create_directory(old);
  std::filesystem::last_write_time(
      old, std::filesystem::file_time_type::clock::now() - std::chrono::hours(25));
  const AtWork at_work(studio);
  EXPECT_TRUE(std::filesystem::exists(fresh));
  EXPECT_FALSE(std::filesystem::exists(old));
}

TEST_F(ScannerMatch, ANameIsCountedInCharactersNotInBytes) {
  const auto umlauts = [](int n) {
    std::string name;
    for (int k = 0; k < n; ++k) name += "\u00fc";
    return name;
  };
  EXPECT_TRUE(fits_as_file_name(umlauts(60), "batch", "").has_value());
  EXPECT_FALSE(fits_as_file_name(umlauts(61), "batch", "").has_value());
}

TEST_F(ScannerMatch, ABatchThatDoesNotSayGivesANote) {
  ASSERT_FALSE(batch.scanner.recorded);
  for (const auto& curve : {one, std::filesystem::path()}) {
    const auto notes = scanner_fits(batch, read_with(curve));
    ASSERT_TRUE(notes.has_value());
    ASSERT_EQ(notes->size(), 1U);
    EXPECT_THAT(notes->front(), HasSubstr("does not say"));
  }
}

TEST_F(ScannerMatch, AStudioKeepsCurvesAndFindsABatchsOwn) {
  const Studio studio = Studio::beside(folder / "book.sqlite");
  ASSERT_TRUE(studio.make_folders());
  const auto id = [](const Result<std::string>& answer) {
    return answer ? nlohmann::json::parse(*answer)["scanner"].get<int>() : 0;
  };
  const int first = id(take_scanner(studio, "one.scanner.json", curve_text(0.001)));
  const int second = id(take_scanner(studio, "other.scanner.json", curve_text(0.002)));
  EXPECT_GT(first, 0);
  EXPECT_NE(first, second);
  EXPECT_EQ(id(take_scanner(studio, "again.scanner.json", curve_text(0.001))), first);
  const auto kept = kept_scanners(studio);
  ASSERT_EQ(kept.size(), 2U);
  EXPECT_EQ(kept[0].name, "one");
  batch.scanner = *wedge_scanner(other);
  ASSERT_TRUE(scanner_of(studio, batch).has_value());
  EXPECT_EQ(scanner_of(studio, batch)->id, second);
  batch.scanner.sha256 = std::string(64, '0');
  EXPECT_FALSE(scanner_of(studio, batch).has_value());
  // What is no curve, has a name that is no file's, or that another curve has, is refused.
  EXPECT_FALSE(take_scanner(studio, "x.scanner.json", "{}"));
  for (const char* name : {"", "../evil", ".hidden", "a/b", "a\nb"}) {
    EXPECT_FALSE(take_scanner(studio, name, curve_text(0.003))) << name;
  }
  EXPECT_FALSE(take_scanner(studio, "one.scanner.json", curve_text(0.003)));
  EXPECT_EQ(kept_scanners(studio).size(), 2U);
}

}  // namespace
}  // namespace rebite::jobs

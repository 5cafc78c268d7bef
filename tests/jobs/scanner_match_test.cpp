// Scans that are read otherwise than their wedge: refused, or said; and the curves a studio keeps.
#include "jobs/scanner_match.h"

#include <gmock/gmock.h>

#include <fstream>
#include <nlohmann/json.hpp>

#include "files/files.h"
#include "jobs/studio.h"
#include "tests/jobs/studio.h"
#include "tests/plan/hand_batch.h"

namespace rebite::jobs {
namespace {
using testing::HasSubstr;

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

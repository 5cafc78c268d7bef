// `rebite plan` as it is typed, where no other test of the program types it.
#include <gmock/gmock.h>

#include "jobs/inputs.h"
#include "tests/book/books.h"
#include "tests/cli/run_rebite.h"
#include "tests/cli/small_studio.h"

namespace rebite::cli {
namespace {
using testing::HasSubstr;
using testing::Not;

Said plan_without_a_wedge(const std::string& drawing, const book::TempFolder& folder) {
  const std::string proof = small_studio().file("proof.tif");
  return run_rebite({"plan", proof, drawing, "--plate", "70x50", "--out", folder / "plan"});
}

// A drawing that only darkens was once called "no visible change" when there was no wedge.
TEST(PlanCommand, WithoutAWedgeWhatShouldBeDarkerIsListed) {
  ASSERT_EQ(small_studio().not_ready, "");
  const book::TempFolder folder;
  const Said said = plan_without_a_wedge(small_studio().file("drawing.tif"), folder);
  ASSERT_EQ(said.code, 0) << said.err;
  EXPECT_THAT(said.out, HasSubstr("without a wedge there are no minutes:\n  region "));
  EXPECT_THAT(said.out, HasSubstr("darker "));
  EXPECT_THAT(said.out, Not(HasSubstr("Nothing to bite")));
}

TEST(PlanCommand, TheSameScanTwiceIsNothingToDo) {
  ASSERT_EQ(small_studio().not_ready, "");
  const book::TempFolder folder;
  std::filesystem::copy_file(small_studio().file("proof.tif"), folder / "again.tif");
  const Said said = plan_without_a_wedge(folder / "again.tif", folder);
  ASSERT_EQ(said.code, 0) << said.err;
  EXPECT_THAT(said.out, HasSubstr("Nothing to bite and nothing to lower"));
}

// A wedge of years ago gave its minutes without a word.
TEST(PlanCommand, DaysSinceTheWedgeAreCountedFromItsDay) {
  ASSERT_EQ(small_studio().not_ready, "");
  const book::TempFolder folder;
  auto batch = jobs::load_batch(small_studio().file("ferric.batch.json"));
  ASSERT_TRUE(batch);
  batch->bitten_on = "2020-01-15";
  book::put_bytes(folder / "old.batch.json", wedge::to_json(*batch));
  const auto planned = [&](std::vector<std::string> more) {
    std::vector<std::string> words{"plan", small_studio().file("proof.tif"),
                                   small_studio().file("drawing.tif"), "--batch",
                                   (folder / "old.batch.json").string(), "--plate", "70x50", "--out",
                                   (folder / "plan").string()};
    words.insert(words.end(), more.begin(), more.end());
    return run_rebite(words);
  };
  EXPECT_THAT(planned({}).err, HasSubstr("Bite a new wedge"));
  const Said stated = planned({"--days", "0"});
  EXPECT_EQ(stated.code, 0);
  EXPECT_THAT(stated.err, Not(HasSubstr("since the wedge")));
}

}  // namespace
}  // namespace rebite::cli

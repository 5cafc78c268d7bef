// `rebite plan` as it is typed, where no other test of the program types it.
#include <gmock/gmock.h>

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

}  // namespace
}  // namespace rebite::cli

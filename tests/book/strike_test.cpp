// What was entered wrongly is struck out, never deleted; and one entry read without the rest.
#include <gmock/gmock.h>

#include "tests/book/books.h"

namespace rebite::book {
namespace {

class Strike : public testing::Test {
 protected:
  Strike() : book_(must(Book::open(folder_ / "b.sqlite", Book::Access::make))) {
    fill_version_1(book_);
    plate_ = must(book_.plate("Lock in snow")).id;
    state_ = must(book_.last_state(plate_))->id;
  }
  TempFolder folder_;
  Book book_;
  Id plate_ = 0, state_ = 0;
};

TEST_F(Strike, ABiteStaysAndNoLongerCounts) {
  const auto before = must(book_.bites(state_));
  ASSERT_EQ(before.size(), 2U);
  const Id batch = must(book_.batch("ferric-7")).id;
  const auto counted = [&] {
    return std::ranges::count_if(must(book_.uses(batch)).back().bites,
                                 [](const auto& b) { return !b.struck; });
  };
  ASSERT_EQ(counted(), 2);
  must(book_.strike_bite(before[0].id, {"2026-02-03", "another plate's"}));
  const auto after = must(book_.bites(state_));
  ASSERT_EQ(after.size(), 2U);
  ASSERT_TRUE(after[0].struck.has_value());
  EXPECT_EQ(after[0].struck->why, "another plate's");
  EXPECT_EQ(after[0].struck->on, "2026-02-03");
  EXPECT_EQ(after[0].minutes, before[0].minutes);
  EXPECT_FALSE(after[1].struck.has_value());
  EXPECT_EQ(counted(), 1);
  EXPECT_TRUE(must(book_.check()).empty());
  const auto story = must(book_.story(plate_, false));
  EXPECT_EQ(std::ranges::count_if(story.bites, [](const auto& b) { return b.struck.has_value(); }),
            1);
}

TEST_F(Strike, OnlyOnceAndOnlyWhatIsThere) {
  const Id bite = must(book_.bites(state_)).front().id;
  must(book_.strike_bite(bite, {}));
  const auto again = book_.strike_bite(bite, {});
  ASSERT_FALSE(again.has_value());
  EXPECT_EQ(again.error().kind, ProblemKind::data);
  EXPECT_THAT(again.error().what, testing::HasSubstr("already"));
  EXPECT_FALSE(book_.strike_bite(9999, {}));
  const Id lowering = must(book_.story(plate_, false)).lowerings.back().id;
  must(book_.strike_lowering(lowering, {"", "was the other region"}));
  EXPECT_TRUE(must(book_.story(plate_, false)).lowerings.back().struck.has_value());
  EXPECT_FALSE(book_.strike_lowering(lowering, {}));
}

TEST_F(Strike, OneEntryIsReadWithoutTheRest) {
  const auto state = must(book_.state(state_));
  ASSERT_TRUE(state.has_value());
  EXPECT_EQ(state->plate, plate_);
  EXPECT_EQ(must(book_.plate(plate_))->title, "Lock in snow");
  EXPECT_FALSE(must(book_.state(Id{999})).has_value());
  EXPECT_FALSE(must(book_.plate(Id{999})).has_value());
  const auto story = must(book_.story(plate_, true));
  EXPECT_EQ(must(book_.preview(state_, false)), story.states.back().proofs.front().preview);
  EXPECT_EQ(must(book_.preview(999, false)), "");
  const auto wedge = must(book_.wedge(must(book_.current_plan(state_))->wedge));
  ASSERT_TRUE(wedge.has_value());
  EXPECT_EQ(wedge->text, kept_wedge_text());
  EXPECT_FALSE(must(book_.wedge(999)).has_value());
}

// "Lock" and "lock" are one plate to whoever types them.
TEST_F(Strike, CapitalsMakeNoOtherPlate) {
  EXPECT_EQ(must(book_.plate("lock in SNOW ")).title, "Lock in snow");
  const auto second = book_.add_plate({0, " LOCK in snow", "copper", {10, 10}, {}, ""});
  ASSERT_FALSE(second.has_value());
  EXPECT_THAT(second.error().what, testing::HasSubstr("'Lock in snow'"));
  const auto nameless = book_.add_plate({0, " ", "copper", {10, 10}, {}, ""});
  ASSERT_FALSE(nameless.has_value());
  EXPECT_EQ(nameless.error().kind, ProblemKind::usage);
  EXPECT_THAT(nameless.error().what, testing::HasSubstr("no name"));
}

}  // namespace
}  // namespace rebite::book

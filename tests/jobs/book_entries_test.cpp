// What is entered of a plate must fit its plan; what was entered wrongly is struck out.
#include <gmock/gmock.h>

#include "jobs/book_jobs.h"
#include "jobs/from_book.h"
#include "tests/book/books.h"

namespace rebite::jobs {
namespace {
using book::must;

struct BookEntries : testing::Test {
  BookEntries() : book(must(book::Book::open(folder / "b.sqlite", book::Book::Access::make))) {
    book::fill_version_1(book);
  }
  book::TempFolder folder;
  book::Book book;
};

TEST_F(BookEntries, ARegionThatThePlanDoesNotHaveIsRefused) {
  LowerRequest request{"Lock in snow", 0, {}};
  request.lowering.how = "scrape";
  request.lowering.region = 999;
  const auto refused = enter_lowering(book, request);
  ASSERT_FALSE(refused.has_value());
  EXPECT_THAT(refused.error().what, testing::HasSubstr("region 999"));
  request.lowering.region = 3;
  EXPECT_TRUE(enter_lowering(book, request).has_value());
}

TEST_F(BookEntries, TheNextStageComesAfterTheLastThatCounts) {
  std::vector<book::Bite> bites(2);
  bites[0].stage = 1, bites[1].stage = 2;
  EXPECT_EQ(next_stage({}, 3), 1);
  EXPECT_EQ(next_stage(bites, 3), 3);
  EXPECT_EQ(next_stage(bites, 2), 0);
  bites[1].struck = book::StruckOut{};
  EXPECT_EQ(next_stage(bites, 2), 2);
}

// The minutes of a gap would be added to the next dip.
TEST_F(BookEntries, StrikingLeavesNoGap) {
  const auto id = must(book.last_state(must(book.plate("Lock in snow")).id))->id;
  const auto refused = strike_out(book, {"Lock in snow", 0, 1, 0, {"", ""}});
  ASSERT_FALSE(refused.has_value());
  EXPECT_THAT(refused.error().what, testing::HasSubstr("stage 1 would be left without a time"));
  must(book.add_bite({0, id, 1, 0.5, {}, 0, "", ""}));
  const auto which = strike_out(book, {"Lock in snow", 0, 1, 0, {"", ""}});
  ASSERT_FALSE(which.has_value());
  EXPECT_THAT(which.error().what, testing::HasSubstr("0:30"));
  EXPECT_THAT(which.error().next, testing::HasSubstr("--time"));
  const auto words = strike_out(book, {"Lock in snow", 0, 1, 0, {"", ""}, 0.5});
  ASSERT_TRUE(words.has_value()) << words.error().what;
  EXPECT_THAT(*words, testing::HasSubstr("0:30 at stage 1"));
}

TEST_F(BookEntries, NothingIsStruckOutWhileThePlateIsInTheBath) {
  const auto id = must(book.last_state(must(book.plate("Lock in snow")).id))->id;
  book::BathClock running;
  running.state = id, running.stage = 2, running.planned_minutes = 1.5, running.started = 1000;
  const auto clock = must(book.start_clock(running));
  EXPECT_FALSE(strike_out(book, {"Lock in snow", 0, 2, 0, {"", ""}}));
  must(book.call_off_clock(clock, 2000, ""));
  EXPECT_TRUE(strike_out(book, {"Lock in snow", 0, 2, 0, {"", ""}}));
}

TEST_F(BookEntries, WhatCountsIsStruckOut) {
  const auto id = must(book.last_state(must(book.plate("Lock in snow")).id))->id;
  must(book.add_bite({0, id, 2, 0.5, {}, 0, "", ""}));
  const auto words = strike_out(book, {"Lock in snow", 0, 2, 0, {"", ""}, 0.5});
  ASSERT_TRUE(words.has_value());
  EXPECT_THAT(*words, testing::HasSubstr("0:30 at stage 2"));
  EXPECT_THAT(*strike_out(book, {"Lock in snow", 0, 2, 0, {"", ""}}), testing::HasSubstr("3:15"));
  EXPECT_FALSE(strike_out(book, {"Lock in snow", 0, 2, 0, {"", ""}}));
  // Without a region the last one, of whatever region.
  EXPECT_THAT(*strike_out(book, {"Lock in snow", 0, 0, 0, {"", ""}}),
              testing::HasSubstr("region 3"));
  EXPECT_FALSE(strike_out(book, {"Lock in snow", 0, 0, 3, {"", ""}}));
}

}  // namespace
}  // namespace rebite::jobs

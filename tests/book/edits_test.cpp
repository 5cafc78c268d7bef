// Plans changed by hand: the original stays, every step can be taken back and made again.
#include <gmock/gmock.h>

#include "tests/book/books.h"

namespace rebite::book {
namespace {

class Edits : public testing::Test {
 protected:
  Edits() : book_(must(Book::open(folder_ / "b.sqlite", Book::Access::make))) {
    fill_version_1(book_);
    state_ = must(book_.last_state(must(book_.plate("Lock in snow")).id))->id;
    original_ = must(book_.current_plan(state_))->id;
  }
  Result<Id> change(Id from, const std::string& what, double minutes) {
    PlanRecord plan = *must(book_.plan(from));
    plan.text = "{\"what\":\"" + what + "\"}";
    plan.regions_png.clear();
    return book_.add_edit({0, 0, from, "{\"minutes\":1}", what, "2026-02-01T10:00:00Z"},
                          plan,
                          {prediction(1, 0.1, 0.4, minutes, 1)});
  }
  Id current() { return must(book_.current_plan(state_))->id; }

  TempFolder folder_;
  Book book_;
  Id state_ = 0, original_ = 0;
};

TEST_F(Edits, KeepTheOriginalAndItsPicture) {
  const std::string text = must(book_.plan(original_))->text;
  const Id changed = must(change(original_, "a", 2));
  EXPECT_EQ(current(), changed);
  EXPECT_EQ(must(book_.plan(original_))->text, text);
  const auto plan = must(book_.current_plan(state_));
  EXPECT_EQ(plan->text, "{\"what\":\"a\"}");
  EXPECT_EQ(plan->regions_png, must(book_.plan(original_))->regions_png);
  EXPECT_TRUE(plan->current);
  EXPECT_FALSE(must(book_.plan(original_))->current);
  EXPECT_EQ(must(book_.last_plan(1))->id, changed);
}

TEST_F(Edits, AreTakenBackAndMadeAgain) {
  const Id a = must(change(original_, "a", 2));
  const Id b = must(change(a, "b", 3));
  EXPECT_EQ(must(book_.undo_edit(state_)), a);
  EXPECT_EQ(must(book_.undo_edit(state_)), original_);
  EXPECT_FALSE(book_.undo_edit(state_));
  EXPECT_EQ(must(book_.redo_edit(state_)), a);
  EXPECT_EQ(must(book_.redo_edit(state_)), b);
  EXPECT_FALSE(book_.redo_edit(state_));
  EXPECT_EQ(current(), b);
  // A change after a step back: the step left aside stays in the book.
  must(book_.undo_edit(state_));
  const Id c = must(change(a, "c", 4));
  EXPECT_EQ(must(book_.undo_edit(state_)), a);
  EXPECT_EQ(must(book_.redo_edit(state_)), c);
  const auto all = must(book_.edits(state_));
  ASSERT_EQ(all.size(), 3U);
  EXPECT_EQ(all[1].plan, b);
  EXPECT_EQ(all[1].from, a);
  EXPECT_EQ(all[2].what, "c");
  EXPECT_EQ(all[2].made_at, "2026-02-01T10:00:00Z");
  EXPECT_EQ(must(book_.plan(b))->text, "{\"what\":\"b\"}");
  EXPECT_TRUE(must(book_.check()).empty());
}

TEST_F(Edits, OfAPlanThatChangedMeanwhileAreRefused) {
  must(change(original_, "mine", 2));
  const auto theirs = change(original_, "theirs", 3);
  ASSERT_FALSE(theirs.has_value());
  EXPECT_THAT(theirs.error().what, testing::HasSubstr("another window"));
  EXPECT_FALSE(book_.add_edit({0, 0, 99, "", "", ""}, *must(book_.plan(original_)), {}));
  EXPECT_EQ(must(book_.edits(state_)).size(), 1U);
}

TEST_F(Edits, AreWhatTheBatchLearnsFrom) {
  const Id batch = must(book_.batch("ferric-7")).id;
  const Id changed = must(change(original_, "a", 2.5));
  auto uses = must(book_.uses(batch));
  ASSERT_EQ(uses.size(), 3U);
  EXPECT_EQ(uses[2].plan.id, changed);
  EXPECT_EQ(uses[2].predictions.front().minutes, 2.5);
  must(book_.undo_edit(state_));
  EXPECT_EQ(must(book_.uses(batch))[2].plan.id, original_);
}

TEST_F(Edits, GiveWayToAPlanMadeAnew) {
  must(change(original_, "a", 2));
  Book::Planned planned;
  planned.state.id = state_;
  planned.plan.text = "{}";
  const auto [state, plan] = must(book_.add_planned(planned));
  EXPECT_EQ(state, state_);
  EXPECT_EQ(current(), plan);
}

class Clock : public Edits {
 protected:
  BathClock clock() {
    BathClock c = clock_at_noon(book_, state_, original_);
    c.stage = 2;
    c.planned_minutes = 4;
    c.batch = 0;
    return c;
  }
};

TEST_F(Clock, GoesOnWithoutAWindow) {
  const Id id = must(book_.start_clock(clock()));
  must(book_.pause_clock(id, noon + 60000));
  Book again = must(Book::open(folder_ / "b.sqlite", Book::Access::read));
  const auto running = must(again.running_clocks());
  ASSERT_EQ(running.size(), 1U);
  EXPECT_EQ(running[0].id, id);
  EXPECT_TRUE(running[0].paused());
  EXPECT_EQ(running[0].minutes_in_bath(noon + 600000), 1.0);
  EXPECT_FALSE(running[0].pulled_late_minutes().has_value());
}

TEST_F(Clock, PullingRecordsTheMinutesReallyTaken) {
  const Id id = must(book_.start_clock(clock()));
  must(book_.pause_clock(id, noon + 60000));
  must(book_.resume_clock(id, noon + 120000));
  must(book_.read_temperature(id, noon + 120000, 21.0));
  const Id bite = must(book_.pull(id, noon + 330000, "2026-02-02", "late"));
  EXPECT_TRUE(must(book_.running_clocks()).empty());
  const auto ended = must(book_.clocks(state_)).front();
  EXPECT_EQ(ended.bite, bite);
  EXPECT_NEAR(*ended.pulled_late_minutes(), 0.5, 1e-12);
  EXPECT_EQ(ended.note, "late");
  const Story story = must(book_.story(1, false));
  const auto& done = story.bites.back();
  EXPECT_EQ(done.id, bite);
  EXPECT_EQ(done.stage, 2);
  EXPECT_EQ(done.minutes, 4.5);
  // 1 minute at 19.5 and 3.5 at 21: the pause counts for neither.
  EXPECT_NEAR(*done.temperature_c, (19.5 + 3.5 * 21) / 4.5, 1e-12);
  EXPECT_EQ(done.done_on, "2026-02-02");
  EXPECT_TRUE(must(book_.check()).empty());
}

TEST_F(Clock, AReadingCountsFromThenOn) {
  const Id id = must(book_.start_clock(clock()));
  must(book_.read_temperature(id, noon + 60000, 24.0));
  must(book_.pause_clock(id, noon + 90000));
  must(book_.resume_clock(id, noon + 120000));
  must(book_.read_temperature(id, noon + 180000, {}));
  must(book_.read_temperature(id, noon, 22.0));  // a wall clock set back: counts as the last event
  const BathClock c = must(book_.clocks(state_)).front();
  const auto parts = c.minutes_by_temperature(noon + 240000);
  using Part = std::pair<double, std::optional<double>>;
  EXPECT_THAT(parts,
              testing::ElementsAre(Part{1, 19.5}, Part{1.5, 24.0}, Part{0, {}}, Part{1, 22.0}));
  EXPECT_EQ(c.latest_temperature(), 22.0);
  EXPECT_FALSE(book_.read_temperature(id, noon + 250000, 212.0));
}

TEST_F(Clock, PulledWhilePausedCountsToThePause) {
  const Id id = must(book_.start_clock(clock()));
  must(book_.pause_clock(id, noon + 180000));
  must(book_.pull(id, noon + 999000, "", ""));
  EXPECT_NEAR(*must(book_.clocks(state_)).front().pulled_late_minutes(), -1.0, 1e-12);
  EXPECT_EQ(must(book_.story(1, false)).bites.back().minutes, 3.0);
}

TEST_F(Clock, OnePerPlateAndEventsInTheirOrder) {
  const Id id = must(book_.start_clock(clock()));
  EXPECT_FALSE(book_.start_clock(clock()));
  EXPECT_FALSE(book_.resume_clock(id, noon + 1000));
  must(book_.pause_clock(id, noon + 1000));
  EXPECT_FALSE(book_.pause_clock(id, noon + 2000));
  EXPECT_FALSE(book_.pause_clock(id + 7, noon));
  must(book_.call_off_clock(id, noon + 3000, "wrong plate"));
  EXPECT_FALSE(book_.pull(id, noon + 4000, "", ""));
  EXPECT_FALSE(book_.read_temperature(id, noon + 4000, 20.0));
  EXPECT_EQ(must(book_.story(1, false)).bites.size(), 6U);  // called off: nothing was bitten
  must(book_.start_clock(clock()));
  EXPECT_TRUE(must(book_.check()).empty());
}

TEST_F(Clock, SurvivesAWallClockThatIsSetBack) {
  const Id id = must(book_.start_clock(clock()));
  must(book_.pause_clock(id, noon + 60000));
  must(book_.resume_clock(id, noon - 500000));
  EXPECT_FALSE(book_.call_off_clock(id + 7, noon, ""));
  must(book_.pull(id, noon - 400000, "", ""));
  EXPECT_EQ(must(book_.story(1, false)).bites.back().minutes, 1.0);
  const Id none = must(book_.start_clock(clock()));
  const auto pulled = book_.pull(none, noon - 1, "", "");
  ASSERT_FALSE(pulled.has_value());
  EXPECT_THAT(pulled.error().next, testing::HasSubstr("off"));
}

}  // namespace
}  // namespace rebite::book

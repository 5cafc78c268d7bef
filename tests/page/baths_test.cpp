// The list of all plates that are in a bath.
#include <nlohmann/json.hpp>

#include "tests/book/books.h"
#include "tests/page/asking.h"

namespace rebite::page {
namespace {
using nlohmann::json;

// A state of the plate with this plan, in the bath since noon.
void put_in(book::Book& book, const std::string& plate, const std::string& plan) {
  book::Book::Planned planned;
  planned.state = book::state_of(book::must(book.add_plate({0, plate, "copper", {90, 60}, {}, ""})), 1);
  planned.plan.made_on = "2026-02-01";
  planned.plan.text = plan;
  planned.plan.px_per_mm = 8;
  const auto [state, id] = book::must(book.add_planned(planned));
  book::BathClock clock;
  clock.state = state;
  clock.plan = id;
  clock.stage = 1;
  clock.planned_minutes = 2.5;
  clock.started = book::noon;
  book::must(book.start_clock(clock));
}

TEST(Baths, OneThatCannotBeReadDoesNotHideTheOthers) {
  Asking a;
  {
    auto book = book::must(book::Book::open(a.folder() / "book.sqlite", book::Book::Access::make));
    put_in(book, "Lock", R"({"format":"rebite-plan"})");
    put_in(book, "Weir", R"({"stages":[{"stage":1,"dip_minutes":2.5,"total_minutes":2.5,)"
                         R"("stop_out_before":[]}]})");
  }
  const auto answer = a.ask("GET", "/api/baths");
  ASSERT_EQ(answer.status, 200) << answer.body;
  const json baths = json::parse(answer.body).at("baths");
  ASSERT_EQ(baths.size(), 2U);
  EXPECT_EQ(baths[0].at("plate_title"), "Lock");
  EXPECT_FALSE(baths[0].contains("target_minutes"));
  EXPECT_NE(baths[0].at("trouble").get<std::string>().find("no stages"), std::string::npos);
  EXPECT_GT(baths[0].at("elapsed_minutes").get<double>(), 0);
  EXPECT_EQ(baths[1].at("plate_title"), "Weir");
  EXPECT_NEAR(baths[1].at("target_minutes").get<double>(), 2.5, 1e-9);
  EXPECT_FALSE(baths[1].contains("trouble"));
}

}  // namespace
}  // namespace rebite::page

#include "jobs/from_book.h"

#include <fmt/format.h>

#include <algorithm>

#include "jobs/guard.h"

namespace rebite::jobs {
using Json = nlohmann::ordered_json;

Result<book::Book> opened(const Studio& studio) {
  using Access = book::Book::Access;
  return guarded("Opening the book", [&] {
    auto book = book::Book::open(studio.book, Access::read);
    return book ? std::move(book) : book::Book::open(studio.book, Access::make);
  });
}

Json stages_of(const book::PlanRecord& plan) {
  const Json text = Json::parse(plan.text, nullptr, false);
  if (!text.is_object() || !text.contains("stages") || !text["stages"].is_array())
    return Json::array();
  return text["stages"];
}

int next_stage(const std::vector<book::Bite>& bites, std::size_t stages) {
  int done = 0;
  for (const auto& b : bites) {
    if (!b.struck) done = std::max(done, b.stage);
  }
  return static_cast<std::size_t>(done) < stages ? done + 1 : 0;
}

Result<void> may_be_struck(book::Book& book,
                           book::Id id,
                           const std::vector<book::Bite>& of_its_state) {
  const auto bite = std::ranges::find(of_its_state, id, &book::Bite::id);
  if (bite == of_its_state.end()) return {};
  const auto clocks = book.running_clocks();
  if (!clocks) return std::unexpected(clocks.error());
  if (std::ranges::any_of(*clocks, [&](const auto& c) { return c.state == bite->state; })) {
    return refuse(ProblemKind::data,
                  "the plate is in the bath: what its dip was reckoned with is not struck out",
                  "Pull it first, or call the dip off.");
  }
  bool alone = true, later = false;
  for (const auto& other : of_its_state) {
    if (other.struck || other.id == id) continue;
    alone = alone && other.stage != bite->stage;
    later = later || other.stage > bite->stage;
  }
  if (!alone || !later) return {};
  return refuse(ProblemKind::data,
                fmt::format("stage {} would be left without a time, between stages that have one",
                            bite->stage),
                fmt::format("Enter its true time first (rebite book bite PLATE --stage {} --time "
                            "TIME), then strike this one out; or strike the later stages out "
                            "first.",
                            bite->stage));
}

std::string text_of(const Json& answer) {
  return answer.dump(-1, ' ', false, Json::error_handler_t::replace);
}

}  // namespace rebite::jobs

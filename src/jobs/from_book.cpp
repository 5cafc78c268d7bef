#include "jobs/from_book.h"

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

std::string text_of(const Json& answer) {
  return answer.dump(-1, ' ', false, Json::error_handler_t::replace);
}

}  // namespace rebite::jobs

#include "jobs/from_book.h"

#include "jobs/guard.h"

namespace rebite::jobs {
using Json = nlohmann::ordered_json;

Result<book::Book> opened(const Studio& studio) {
  return guarded("Opening the book",
                 [&] { return book::Book::open(studio.book, book::Book::Access::make); });
}

Json stages_of(const book::PlanRecord& plan) {
  const Json text = Json::parse(plan.text, nullptr, false);
  if (!text.is_object() || !text.contains("stages") || !text["stages"].is_array())
    return Json::array();
  return text["stages"];
}

std::string text_of(const Json& answer) {
  return answer.dump(-1, ' ', false, Json::error_handler_t::replace);
}

}  // namespace rebite::jobs

// What several errands take from the record book in the same way.
#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "jobs/studio.h"

namespace rebite::jobs {

// The studio's book, made or brought up to date where that is needed. Refuses as book::Book::open.
Result<book::Book> opened(const Studio& studio);

// The stages of a recorded plan as its text tells them; an empty array where it has none.
nlohmann::ordered_json stages_of(const book::PlanRecord& plan);

// An answer to the page, in one line; what is no UTF-8 is replaced.
std::string text_of(const nlohmann::ordered_json& answer);

}  // namespace rebite::jobs

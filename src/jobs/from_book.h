// What several errands take from the record book in the same way.
#pragma once

#include <nlohmann/json.hpp>
#include <string>

#include "jobs/studio.h"

namespace rebite::jobs {

// The studio's book to read in; made or brought up to date where that is needed. It is not looked
// through first: a large book would keep every picture waiting. Refuses as book::Book::open.
Result<book::Book> opened(const Studio& studio);

// The stages of a recorded plan as its text tells them; an empty array where it has none.
nlohmann::ordered_json stages_of(const book::PlanRecord& plan);

// The stage that is bitten next, of so many: the one after the last that counts; 0: all are bitten.
// What was struck out does not count.
int next_stage(const std::vector<book::Bite>& bites, std::size_t stages);
// Refuses (data) to strike that bite out where it would leave its stage without one and a later
// stage with: the minutes of the gap would be added to the next dip, on whatever is still open.
// And while the plate of that state is in the bath: the dip that runs was reckoned with it.
Result<void> may_be_struck(book::Book&, book::Id id, const std::vector<book::Bite>& of_its_state);

// Refuses (usage) what a batch or a scanner curve cannot be called: it becomes a file's name.
Result<void> fits_as_file_name(const std::string& name, const char* what, const char* example);
// The file of a kept scanner curve; empty for 0. Refuses (data) one that is not kept.
Result<std::filesystem::path> scanner_file(const Studio& studio, int id);

// An answer to the page, in one line; what is no UTF-8 is replaced.
std::string text_of(const nlohmann::ordered_json& answer);

}  // namespace rebite::jobs

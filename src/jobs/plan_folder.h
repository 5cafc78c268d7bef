// What a plan's folder holds, and what must not be lost when a plan is made into it once more.
#pragma once

#include <filesystem>
#include <string>
#include <utility>
#include <vector>

#include "jobs/inputs.h"
#include "sheets/sheets.h"

namespace rebite::jobs {

// The files by name, plan.json first; drawn on two threads. Empty bytes where the user stopped it.
std::vector<std::pair<std::string, std::string>> plan_files(const sheets::SheetContent&,
                                                            const sheets::BenchMapOptions&,
                                                            const Progress& = {});

// Refuses (usage) where a file that a plan would replace is one of `inputs`, and (cannot_create)
// where it is not what a plan wrote there: a picture painted over next-proof.png, notes written on
// the bench map, a map.png of the user's own. What is typed into plan.json itself is not seen.
Result<void> plan_folder_is_free(const std::filesystem::path& folder,
                                 const std::vector<std::filesystem::path>& inputs);

}  // namespace rebite::jobs

// For files that a library writes by itself (a copy of a database).
#pragma once

#include <filesystem>

#include "units/problem.h"

namespace rebite::files {

// A hidden name beside `file` that no other process uses and that sweep_stale knows.
std::filesystem::path temporary_beside(const std::filesystem::path& file);

// Puts the file `written` in the place of `file`: synced first, renamed, the folder synced after.
// Refused as write_atomically; on refusal `written` is gone.
Result<void> put_whole(const std::filesystem::path& written, const std::filesystem::path& file);

}  // namespace rebite::files

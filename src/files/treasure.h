// What must not be lost by writing over it.
#pragma once

#include <filesystem>
#include <string>
#include <string_view>

#include "units/problem.h"

namespace rebite::files {

inline constexpr std::string_view book_kind = "a record book";

// What a file is by its first bytes, where losing it would cost work: a scan, a record book, or what
// Rebite measured (a batch's curve costs a wedge). Empty for any other.
std::string treasure_of(std::string_view start);

// The first bytes, none where there is no such file. Refused (cannot_create, io) where there is one
// that cannot be read.
Result<std::string> start_of(const std::filesystem::path& file);

}  // namespace rebite::files

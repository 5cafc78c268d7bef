// A request's JSON object with typed access, and the names that users give to scans.
#pragma once

#include <nlohmann/json.hpp>

#include "page/message.h"

namespace rebite::page {

struct Form {
  nlohmann::json j;
  // Refuses (usage) what is no JSON object.
  static Result<Form> of(const Request& request);
  // What is missing or of another kind is "", 0 or false. A text is cut at 4,000 bytes.
  std::string text(const char* key) const;
  std::int64_t number(const char* key) const;
  double real(const char* key) const;
  bool flag(const char* key) const;
};

// What the user calls a scan, from a header: percent signs decoded, one line, at most 200 bytes.
std::string decoded(std::string_view text);
// A file's name for it: letters and digits of that name only.
std::string file_name_for(std::string_view name, const std::string& unique);
// The user's own names in place of ours, or nothing in place of a folder.
using Names = std::vector<std::pair<std::string, std::string>>;
Problem named(Problem problem, const Names& names);

}  // namespace rebite::page

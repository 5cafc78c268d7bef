// Data from outside the project (../shared/data beside the project's folder, or REBITE_SHARED).
// Tests that need it skip with a message where it is missing.
#pragma once

#include <cstdlib>
#include <filesystem>
#include <string>

namespace rebite::maker {

inline std::filesystem::path outside_data(const std::string& name) {
  const char* set = std::getenv("REBITE_SHARED");
  const std::filesystem::path root =
      set ? std::filesystem::path(set) : std::filesystem::path(REBITE_SOURCE_DIR) / "../shared";
  return root / "data" / name;
}

}  // namespace rebite::maker

#define REBITE_NEEDS_OUTSIDE_DATA(path) \
  if (!std::filesystem::exists(path))   \
  GTEST_SKIP() << "outside data not here: " << (path) << " (see DEVELOPERS.md)"

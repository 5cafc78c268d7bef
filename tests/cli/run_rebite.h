// Runs the built program as a user would and hands back what it said.
#pragma once

#include <filesystem>
#include <string>
#include <vector>

namespace rebite::cli {

struct Said {
  int code = -1;
  std::string out, err;
};
// No shell is involved. `stdout_to` redirects stdout to that file instead of catching it.
Said run_rebite(const std::vector<std::string>& arguments, const std::string& stdout_to = {});

}  // namespace rebite::cli

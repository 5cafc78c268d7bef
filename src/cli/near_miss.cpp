#include "cli/near_miss.h"

#include <CLI/CLI.hpp>
#include <algorithm>
#include <numeric>
#include <vector>

namespace rebite::cli {
namespace {

std::size_t distance(std::string_view a, std::string_view b) {
  std::vector<std::size_t> row(b.size() + 1);
  std::iota(row.begin(), row.end(), std::size_t{0});
  for (std::size_t i = 0; i < a.size(); ++i) {
    std::size_t diagonal = row[0]++;
    for (std::size_t j = 0; j < b.size(); ++j) {
      const std::size_t replaced = diagonal + (a[i] == b[j] ? 0 : 1);
      diagonal = row[j + 1];
      row[j + 1] = std::min({replaced, row[j] + 1, row[j + 1] + 1});
    }
  }
  return row.back();
}

}  // namespace

std::string near_miss(const CLI::App& command, std::string_view message) {
  const auto last_space = message.find_last_of(" \n");
  const std::string_view word =
      last_space == std::string_view::npos ? message : message.substr(last_space + 1);
  if (word.size() < 3 || message.find("not expected") == std::string_view::npos) return {};
  std::vector<std::string> known;
  for (const auto* option : command.get_options()) {
    if (!option->get_lnames().empty()) known.push_back("--" + option->get_lnames().front());
  }
  for (const auto* sub : command.get_subcommands({})) known.push_back(sub->get_name());
  std::string best;
  std::size_t nearest = 3;
  for (const auto& name : known) {
    const std::size_t d = name.starts_with(word) && word.size() > 4 ? 1 : distance(word, name);
    if (d < nearest) nearest = d, best = name;
  }
  return best;
}

}  // namespace rebite::cli

#include "plan/bite_plan.h"

#include <array>
#include <utility>

namespace rebite::plan {
namespace {

constexpr std::array<std::pair<Action, const char*>, 7> words = {{
    {Action::bite, "bite"},
    {Action::burnish, "burnish"},
    {Action::scrape, "scrape"},
    {Action::hold, "hold"},
    {Action::line, "line"},
    {Action::soft, "soft"},
    {Action::beyond, "beyond"},
}};

}  // namespace

const char* word(Action action) {
  for (const auto& [a, text] : words) {
    if (a == action) return text;
  }
  return "hold";
}

std::optional<Action> action_of(std::string_view text) {
  for (const auto& [a, known] : words) {
    if (text == known) return a;
  }
  return std::nullopt;
}

}  // namespace rebite::plan

#include <array>

#include "embedded_page.h"
#include "page/room.h"

namespace rebite::page {

std::optional<Asset> asset(std::string_view name) {
  constexpr std::array<std::pair<std::string_view, const char*>, 4> types = {{
      {".html", "text/html; charset=utf-8"},
      {".css", "text/css; charset=utf-8"},
      {".js", "text/javascript; charset=utf-8"},
      {".svg", "image/svg+xml"},
  }};
  for (const auto& [file, bytes] : page_files()) {
    if (file != name) continue;
    for (const auto& [ending, type] : types) {
      if (name.ends_with(ending)) return Asset{bytes, type};
    }
  }
  return std::nullopt;
}

}  // namespace rebite::page

#include "files/treasure.h"

#include <fcntl.h>
#include <fmt/format.h>

#include <algorithm>
#include <cerrno>
#include <cstring>

#include "files/files.h"
#include "files/in_place.h"

namespace rebite::files {
namespace fs = std::filesystem;
namespace {

// The format that one of Rebite's JSON files names in its first member; empty for another file.
std::string_view json_format(std::string_view start) {
  const auto passed = [&](std::string_view wanted) {
    start.remove_prefix(std::min(start.find_first_not_of(" \t\r\n"), start.size()));
    if (!start.starts_with(wanted)) return false;
    start.remove_prefix(wanted.size());
    return true;
  };
  if (!passed("{") || !passed("\"format\"") || !passed(":") || !passed("\"")) return {};
  const auto format = start.substr(0, start.find('"'));
  return format.starts_with("rebite-") ? format : std::string_view();
}

}  // namespace

std::string treasure_of(std::string_view start) {
  using namespace std::string_view_literals;
  if (start.starts_with("SQLite format 3\0"sv)) return std::string(book_kind);
  if (start.starts_with("\x89PNG\r\n"sv)) return "a PNG picture";
  if (start.starts_with("\xff\xd8\xff"sv)) return "a JPEG picture";
  for (const auto tiff : {"II*\0"sv, "MM\0*"sv, "II+\0"sv, "MM\0+"sv}) {
    if (start.starts_with(tiff)) return "a TIFF picture";
  }
  const auto format = json_format(start);
  return format.empty() ? "" : fmt::format("a file of the kind {}", format);
}

Result<std::string> start_of(const fs::path& file) {
  Descriptor in(::open(file.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK));
  std::string start(64, '\0');
  const ssize_t n = in.open() ? ::read(in.get(), start.data(), start.size()) : -1;
  if (n < 0 && errno == ENOENT) return std::string();
  if (n < 0) {
    return refuse(errno == EIO ? ProblemKind::io : ProblemKind::cannot_create,
                  fmt::format("{}: is there, but cannot be looked into before it is replaced: {}",
                              shown(file),
                              std::strerror(errno)),
                  "Move it to another folder, or name another output.");
  }
  start.resize(static_cast<std::size_t>(n));
  return start;
}

Result<void> may_replace(const fs::path& file, std::string_view bytes) {
  const auto start = start_of(file);
  if (!start) return std::unexpected(start.error());
  const auto old = treasure_of(*start);
  if (old.empty() || old == treasure_of(bytes)) return {};
  return refuse(
      ProblemKind::cannot_create,
      fmt::format("{}: is {}, which is not replaced by another kind of file", shown(file), old),
      has_written() ? "Name another output." : "Name another output. Nothing was changed.");
}

}  // namespace rebite::files

// The local page: serves on 127.0.0.1 until it is asked to stop.
#pragma once

#include <filesystem>
#include <functional>
#include <stop_token>
#include <string>

#include "units/problem.h"

namespace rebite::page {

class Room;

struct PageOptions {
  std::filesystem::path book;
  unsigned short port = 0;  // 0: any free one
  std::function<std::int64_t()> wall_ms;
  // Called once, when the page can be opened: its whole address, key included.
  std::function<void(const std::string& address)> ready;
};
// Refuses (usage) a port that is taken, (cannot_create) a folder that cannot be made.
Result<void> serve_page(const PageOptions& options, const std::stop_token& stop);

// One connection's bytes to the answer's bytes, without sockets: what fuzzing calls.
std::string handle(Room& room, std::string_view bytes);

}  // namespace rebite::page

#include "tests/page/asking.h"

#include <fmt/format.h>
#include <unistd.h>

#include <algorithm>
#include <map>

namespace rebite::page {
namespace fs = std::filesystem;

Asking::Asking() {
  static int count = 0;
  folder_ = fs::temp_directory_path() / fmt::format("rebite-page-{}-{}", ::getpid(), ++count);
  fs::remove_all(folder_);
  fs::create_directories(folder_);
  keys_ = {std::string(32, 'a'), std::string(32, 'b')};
  RoomOptions options;
  options.studio = jobs::Studio::beside(folder_ / "book.sqlite");
  options.port = test_port;
  options.keys = keys_;
  options.wall_ms = [] { return std::int64_t{1795600000000}; };
  options.most_scan_bytes = 100'000;
  options.most_body_bytes = 10'000;
  if (!options.studio.make_folders()) std::abort();
  room_ = std::make_unique<Room>(std::move(options));
}

Asking::~Asking() {
  room_.reset();
  std::error_code ignored;
  fs::remove_all(folder_, ignored);
}

Asking::Answer Asking::raw(const std::string& bytes) {
  const std::string out = handle(*room_, bytes);
  Answer a;
  const auto blank = out.find("\r\n\r\n");
  if (out.starts_with("HTTP/1.1 ")) a.status = std::atoi(out.c_str() + 9);
  a.head = out.substr(0, blank);
  if (blank != std::string::npos) a.body = out.substr(blank + 4);
  return a;
}

std::string Asking::request(const std::string& method,
                            const std::string& target,
                            const std::string& body,
                            const std::vector<std::string>& headers) const {
  const std::string origin = fmt::format("http://127.0.0.1:{}", test_port);
  std::vector<std::pair<std::string, std::string>> lines = {
      {"Host", fmt::format("127.0.0.1:{}", test_port)}, {"X-Rebite-Key", keys_.page}};
  if (method == "POST") {
    lines.insert(lines.end(),
                 {{"Origin", origin},
                  {"Content-Type", "application/json"},
                  {"Content-Length", fmt::format("{}", body.size())}});
  }
  for (const auto& h : headers) {
    const bool out = h.starts_with('-');
    const std::string name = out ? h.substr(1) : h.substr(0, h.find(':'));
    std::erase_if(lines, [&](const auto& line) { return line.first == name; });
    if (!out) lines.emplace_back(name, h.substr(h.find(':') + 2));
  }
  std::string text = method + " " + target + " HTTP/1.1\r\n";
  for (const auto& [name, value] : lines) text += name + ": " + value + "\r\n";
  return text + "\r\n" + body;
}

std::vector<std::string> Asking::files() const {
  std::vector<std::string> out;
  for (const auto& e : fs::recursive_directory_iterator(folder_)) {
    out.push_back(e.path().string() +
                  (e.is_regular_file() ? fmt::format(" {}", e.file_size()) : std::string()));
  }
  std::sort(out.begin(), out.end());
  return out;
}

}  // namespace rebite::page

// A room over an empty studio in a temporary folder, and requests to it as bytes.
#pragma once

#include <filesystem>
#include <memory>
#include <string>
#include <vector>

#include "page/page.h"
#include "page/room.h"

namespace rebite::page {

inline constexpr unsigned short test_port = 8123;

class Asking {
 public:
  Asking();
  ~Asking();
  Room& room() { return *room_; }
  void end() { room_.reset(); }
  const std::filesystem::path& folder() const { return folder_; }
  const Keys& keys() const { return keys_; }

  struct Answer {
    int status = 0;
    std::string head, body;
  };
  // The bytes as they are.
  Answer raw(const std::string& bytes);
  // A sound request of our own page, with what is given in place of or beside its headers
  // ("Host: x" replaces; "-Host" leaves it out).
  std::string request(const std::string& method,
                      const std::string& target,
                      const std::string& body = "",
                      const std::vector<std::string>& headers = {}) const;
  Answer ask(const std::string& method,
             const std::string& target,
             const std::string& body = "",
             const std::vector<std::string>& headers = {}) {
    return raw(request(method, target, body, headers));
  }
  // Every file below the studio's parent, with its size: to see that nothing changed.
  std::vector<std::string> files() const;

 private:
  std::filesystem::path folder_;
  Keys keys_;
  std::unique_ptr<Room> room_;
};

}  // namespace rebite::page

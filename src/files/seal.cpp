#include "files/seal.h"

#include "files/files.h"

namespace rebite::files {
namespace {

constexpr const char* key = "seal";

// Spaces and line ends do not count: mail and editors change them.
std::string content_sum(nlohmann::ordered_json object) {
  object.erase(key);
  return sha256(object.dump(-1, ' ', false, nlohmann::ordered_json::error_handler_t::replace));
}

}  // namespace

void seal(nlohmann::ordered_json& object) { object[key] = content_sum(object); }

bool seal_broken(const nlohmann::ordered_json& object) {
  return object.contains(key) && object[key] != content_sum(object);
}

}  // namespace rebite::files

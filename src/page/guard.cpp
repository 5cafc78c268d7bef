#include "page/guard.h"

#include <fmt/format.h>
#include <sys/random.h>

#include <nlohmann/json.hpp>
#include <stdexcept>

namespace rebite::page {

Response refusal(int status, std::string_view what, std::string_view next) {
  Response r;
  r.status = status;
  r.body = nlohmann::json{{"what", what}, {"next", next}}.dump(
      -1, ' ', false, nlohmann::json::error_handler_t::replace);
  return r;
}

Response refusal(const Problem& p) {
  const bool ours = p.kind == ProblemKind::internal || p.kind == ProblemKind::io ||
                    p.kind == ProblemKind::cannot_create;
  return refusal(ours ? 500 : p.kind == ProblemKind::no_input ? 404 : 400, p.what, p.next);
}

Keys Keys::fresh() {
  const auto secret = [] {
    unsigned char bytes[16];
    if (::getrandom(bytes, sizeof bytes, 0) != sizeof bytes) {
      throw std::runtime_error("the machine gives no random numbers");
    }
    std::string out;
    for (const unsigned char b : bytes) out += fmt::format("{:02x}", b);
    return out;
  };
  return {secret(), secret()};
}

bool same_secret(std::string_view given, std::string_view own) {
  if (given.size() != own.size() || own.empty()) return false;
  unsigned differing = 0;
  for (std::size_t i = 0; i < own.size(); ++i) {
    differing |= static_cast<unsigned>(static_cast<unsigned char>(given[i]) ^
                                       static_cast<unsigned char>(own[i]));
  }
  return differing == 0;
}

std::optional<Response> turned_away(const Request& r, unsigned short port) {
  const std::string own[] = {fmt::format("127.0.0.1:{}", port), fmt::format("localhost:{}", port)};
  if (r.hosts != 1 || (r.host != own[0] && r.host != own[1])) {
    return refusal(
        421, "This is not the address of this page.", "Open the address Rebite printed.");
  }
  const std::string origin = "http://" + r.host;
  const auto stranger = [] {
    return refusal(403, "Another page asked for this.", "Use Rebite's own page.");
  };
  if (r.origins > 1 || (r.origins == 1 && r.origin != origin)) return stranger();
  if (!r.fetch_site.empty() && r.fetch_site != "same-origin" && r.fetch_site != "none") {
    return stranger();
  }
  if (r.method == "POST" && r.origins != 1) return stranger();
  if (r.method != "GET" && r.method != "POST") {
    return refusal(405, "That is nothing this page does.", "Use Rebite's own page.");
  }
  return std::nullopt;
}

}  // namespace rebite::page

// Who may ask: this machine's own page of this start, and nobody else.
//
// Every request: Host is exactly one of our own two names with our port (so that no other site's
// name can be pointed at us), Origin and Sec-Fetch-Site, where sent, are our own. Every change: our
// Origin must be there. Everything under /api: the key of this start in a header, which no other
// site can set; there are no cookies (they do not tell ports apart). Pictures, which an <img>
// fetches without headers, carry a key of their own in their address, good for pictures only.
#pragma once

#include <optional>

#include "page/message.h"

namespace rebite::page {

struct Keys {
  std::string page;     // header X-Rebite-Key
  std::string picture;  // part of a picture's address
  static Keys fresh();  // 128 random bits each, as hex
};

std::optional<Response> turned_away(const Request& request, unsigned short port);
bool same_secret(std::string_view given, std::string_view own);  // in constant time

}  // namespace rebite::page

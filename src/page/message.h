// What came over the wire and what goes back, as plain data: nothing of the HTTP library shows
// beyond wire.cpp.
#pragma once

#include <cstdint>
#include <string>
#include <string_view>
#include <utility>
#include <vector>

#include "units/problem.h"

namespace rebite::page {

struct Request {
  std::string method, target;                                     // as sent
  std::string host, origin, key, fetch_site, content_type, name;  // of the headers; "" = none
  int hosts = 0, origins = 0, keys = 0;                           // how often each was sent
  std::string body;
};

struct Response {
  int status = 200;
  std::string type = "application/json";
  std::string body;
  std::string download;  // file name for "save as"; empty: shown in place
  bool keep = false;     // may be kept by the browser: it never changes under this address
};

// {"what","next"} under the status.
Response refusal(int status, std::string_view what, std::string_view next);
// 400 for what the user's input is at fault of, 500 for a fault of ours.
Response refusal(const Problem& problem);

}  // namespace rebite::page

// What text and pictures become inside HTML and SVG.
#pragma once

#include <string>
#include <string_view>

namespace rebite {

// Safe inside an element and inside a quoted attribute of HTML and XML: & < > " ' by their names;
// control characters that XML 1.0 (2.2) does not allow become spaces.
std::string html_text(std::string_view text);

// Bytes of a data URI (RFC 4648, with padding).
std::string base64(std::string_view bytes);

}  // namespace rebite

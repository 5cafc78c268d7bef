// HTTP as bytes. The only files that include Boost.Beast are wire.cpp and serve.cpp.
#pragma once

#include <boost/beast/http/buffer_body.hpp>
#include <boost/beast/http/message.hpp>
#include <boost/beast/http/parser.hpp>
#include <boost/beast/http/string_body.hpp>

#include "page/room.h"

namespace rebite::page {

namespace http = boost::beast::http;

inline constexpr std::uint32_t most_header_bytes = 16 * 1024;
inline constexpr std::size_t piece_bytes = std::size_t{64} * 1024;

using Parser = http::request_parser<http::buffer_body>;

void set_limits(Parser& parser, const RoomOptions& options);
Request head_of(const Parser& parser);
// With the headers that every answer carries: no frame, no foreign source, no sniffing, no
// referrer.
http::response<http::string_body> on_the_wire(Response&& response,
                                              unsigned version,
                                              bool keep_alive);

}  // namespace rebite::page

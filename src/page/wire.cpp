#include "page/wire.h"

#include <boost/asio/buffer.hpp>
#include <boost/beast/http/write.hpp>
#include <sstream>

#include "page/page.h"

namespace rebite::page {
namespace {

std::string text(boost::beast::string_view view) { return {view.data(), view.size()}; }

}  // namespace

void set_limits(Parser& parser, const RoomOptions& options) {
  parser.header_limit(most_header_bytes);
  parser.body_limit(options.most_scan_bytes + 1);
}

Request head_of(const Parser& parser) {
  const auto& message = parser.get();
  Request r;
  r.method = text(message.method_string());
  r.target = text(message.target());
  for (const auto& field : message) {
    const std::string value = text(field.value());
    switch (field.name()) {
      case http::field::host:
        r.host = value;
        ++r.hosts;
        break;
      case http::field::origin:
        r.origin = value;
        ++r.origins;
        break;
      case http::field::content_type:
        r.content_type = value;
        break;
      default: {
        const auto name = field.name_string();
        if (boost::beast::iequals(name, "X-Rebite-Key")) r.key = value, ++r.keys;
        if (boost::beast::iequals(name, "X-Rebite-Name")) r.name = value;
        if (boost::beast::iequals(name, "Sec-Fetch-Site")) r.fetch_site = value;
      }
    }
  }
  return r;
}

http::response<http::string_body> on_the_wire(Response&& response,
                                              unsigned version,
                                              bool keep_alive) {
  http::response<http::string_body> out{static_cast<http::status>(response.status), version};
  out.set(http::field::content_type, response.type);
  out.set(http::field::cache_control,
          response.keep ? "private, max-age=86400, immutable" : "no-store");
  // report.html is a page of its own with its styles inside: it is only ever saved, not shown here.
  out.set("Content-Security-Policy",
          "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data: blob:; "
          "connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'");
  out.set("X-Content-Type-Options", "nosniff");
  out.set("X-Frame-Options", "DENY");
  out.set("Referrer-Policy", "no-referrer");
  out.set("Cross-Origin-Opener-Policy", "same-origin");
  out.set("Cross-Origin-Resource-Policy", "same-origin");
  if (!response.download.empty()) {
    out.set(http::field::content_disposition, "attachment; filename=\"" + response.download + "\"");
  }
  out.keep_alive(keep_alive);
  out.body() = std::move(response.body);
  out.prepare_payload();
  return out;
}

std::string handle(Room& room, std::string_view bytes) {
  const auto written = [](Response&& response) {
    std::ostringstream out;
    out << on_the_wire(std::move(response), 11, false);
    return out.str();
  };
  const auto unreadable = [&] {
    return written(refusal(400, "That is no request.", "Use Rebite's own page."));
  };
  Parser parser;
  set_limits(parser, room.options());
  boost::system::error_code error;
  while (!parser.is_header_done()) {
    const auto used = parser.put(boost::asio::buffer(bytes), error);
    bytes.remove_prefix(used);
    if (error || used == 0) return unreadable();
  }
  auto begun = room.begin(head_of(parser));
  if (auto* answer = std::get_if<Response>(&begun)) return written(std::move(*answer));
  auto& sink = *std::get<std::unique_ptr<Sink>>(begun);
  std::string piece(piece_bytes, '\0');
  while (!parser.is_done()) {
    parser.get().body().data = piece.data();
    parser.get().body().size = piece.size();
    const auto used = parser.put(boost::asio::buffer(bytes), error);
    bytes.remove_prefix(used);
    const std::size_t got = piece.size() - parser.get().body().size;
    if (error == http::error::need_buffer) error = {};
    if (error) return unreadable();
    if (auto refused = sink.take({piece.data(), got})) return written(std::move(*refused));
    if (used == 0 && got == 0) {
      if (!parser.is_done()) return unreadable();  // cut short
    }
  }
  return written(sink.done());
}

}  // namespace rebite::page

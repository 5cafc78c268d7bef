#include <fmt/format.h>

#include <boost/asio/awaitable.hpp>
#include <boost/asio/co_spawn.hpp>
#include <boost/asio/detached.hpp>
#include <boost/asio/io_context.hpp>
#include <boost/asio/ip/tcp.hpp>
#include <boost/asio/post.hpp>
#include <boost/asio/redirect_error.hpp>
#include <boost/asio/steady_timer.hpp>
#include <boost/asio/thread_pool.hpp>
#include <boost/asio/use_awaitable.hpp>
#include <boost/beast/core/flat_buffer.hpp>
#include <boost/beast/core/tcp_stream.hpp>
#include <boost/beast/http/read.hpp>
#include <boost/beast/http/write.hpp>
#include <chrono>
#include <list>
#include <memory>

#include "page/page.h"
#include "page/wire.h"

namespace rebite::page {
namespace {

namespace asio = boost::asio;
namespace beast = boost::beast;
using asio::ip::tcp;
using namespace std::chrono_literals;
using boost::system::error_code;

constexpr auto header_time = 8s, body_time = 20s, write_time = 30s, idle_time = 60s;
constexpr std::size_t most_connections = 128;

struct Connection {
  explicit Connection(tcp::socket&& socket) : stream(std::move(socket)) {}
  beast::tcp_stream stream;
  bool trusted = false;  // has shown the key of this start
};

class Server {
 public:
  Server(asio::io_context& io, Room& room) : io_(io), room_(room), pool_(2) {}
  ~Server() { pool_.join(); }

  asio::awaitable<void> listen(tcp::acceptor& acceptor) {
    for (;;) {
      error_code error;
      auto socket =
          co_await acceptor.async_accept(asio::redirect_error(asio::use_awaitable, error));
      if (error == asio::error::operation_aborted) co_return;
      if (error) {  // out of file descriptors, or a client that left at once
        asio::steady_timer pause(io_, 50ms);
        co_await pause.async_wait(asio::redirect_error(asio::use_awaitable, error));
        continue;
      }
      if (connections_.size() >= most_connections && !make_room()) continue;  // closes it
      connections_.push_back(std::make_shared<Connection>(std::move(socket)));
      asio::co_spawn(io_, talk(std::prev(connections_.end())), asio::detached);
    }
  }

 private:
  using Place = std::list<std::shared_ptr<Connection>>::iterator;

  // The stranger who has waited longest gives way; the studio's own window never does.
  bool make_room() {
    for (auto& c : connections_) {
      if (c->trusted) continue;
      beast::get_lowest_layer(c->stream).close();
      return true;
    }
    return false;
  }

  asio::awaitable<void> talk(Place place) {
    // A copy: it lives on when it leaves the list, and at the end of all, when the list goes first.
    // NOLINTNEXTLINE(performance-unnecessary-copy-initialization)
    const std::shared_ptr<Connection> connection = *place;
    try {
      beast::flat_buffer buffer(most_header_bytes + piece_bytes);
      bool first = true;
      while (co_await one_request(*connection, buffer, first)) first = false;
    } catch (const std::exception&) {  // NOLINT(bugprone-empty-catch)
      // The client left, sent rubbish or took too long: the connection just ends.
    }
    error_code ignored;
    connection->stream.socket().shutdown(tcp::socket::shutdown_both, ignored);
    connection->stream.close();
    connections_.erase(place);
  }

  // The room's work is done off the thread that talks, so that nobody waits for another's sheets.
  template <class Job>
  asio::awaitable<std::invoke_result_t<Job>> on_pool(Job job) {
    std::optional<std::invoke_result_t<Job>> result;
    std::exception_ptr trouble;
    co_await asio::co_spawn(
        pool_,
        [&]() -> asio::awaitable<void> {
          try {
            result.emplace(job());
          } catch (...) {
            trouble = std::current_exception();
          }
          co_return;
        },
        asio::use_awaitable);
    if (trouble) std::rethrow_exception(trouble);
    co_return std::move(*result);
  }

  // False: the connection is to be closed.
  asio::awaitable<bool> one_request(Connection& c, beast::flat_buffer& buffer, bool first) {
    Parser parser;
    set_limits(parser, room_.options());
    c.stream.expires_after(first || !c.trusted ? std::chrono::seconds(header_time)
                                               : std::chrono::seconds(idle_time));
    error_code error;
    co_await http::async_read_header(
        c.stream, buffer, parser, asio::redirect_error(asio::use_awaitable, error));
    if (error) {
      if (error == http::error::end_of_stream || error == beast::error::timeout ||
          error == asio::error::connection_reset) {
        co_return false;
      }
      co_await answer(c, refusal(400, "That is no request.", "Use Rebite's own page."), 11, false);
      co_return false;
    }
    const unsigned version = parser.get().version();
    const bool keep_alive = parser.get().keep_alive();
    Request head = head_of(parser);
    if (same_secret(head.key, room_.options().keys.page)) c.trusted = true;
    auto begun = co_await on_pool([&] { return room_.begin(std::move(head)); });
    if (auto* response = std::get_if<Response>(&begun)) {
      // A body that nobody reads would be taken for the next request.
      const bool bare = parser.is_done() || parser.content_length_remaining().value_or(1) == 0;
      const bool has_none = parser.get().method() == http::verb::get && bare;
      co_await answer(c, std::move(*response), version, keep_alive && has_none);
      co_return keep_alive&& has_none;
    }
    auto& sink = *std::get<std::unique_ptr<Sink>>(begun);
    if (auto refused = co_await body(c, buffer, parser, sink)) {
      co_await answer(c, std::move(*refused), version, false);
      co_return false;
    }
    co_await answer(c, co_await on_pool([&] { return sink.done(); }), version, keep_alive);
    co_return keep_alive;
  }

  asio::awaitable<std::optional<Response>> body(Connection& c,
                                                beast::flat_buffer& buffer,
                                                Parser& parser,
                                                Sink& sink) {
    std::string piece(piece_bytes, '\0');
    while (!parser.is_done()) {
      c.stream.expires_after(body_time);
      parser.get().body().data = piece.data();
      parser.get().body().size = piece.size();
      error_code error;
      co_await http::async_read(
          c.stream, buffer, parser, asio::redirect_error(asio::use_awaitable, error));
      if (error && error != http::error::need_buffer) {
        co_return refusal(400, "What was sent came to a sudden end.", "Send it again.");
      }
      const std::size_t got = piece.size() - parser.get().body().size;
      if (auto refused = sink.take({piece.data(), got})) co_return refused;
    }
    co_return std::nullopt;
  }

  asio::awaitable<void> answer(Connection& c, Response response, unsigned version, bool keep) {
    c.stream.expires_after(write_time);
    auto message = on_the_wire(std::move(response), version, keep);
    co_await http::async_write(c.stream, message, asio::use_awaitable);
  }

  asio::io_context& io_;
  Room& room_;
  asio::thread_pool pool_;
  std::list<std::shared_ptr<Connection>> connections_;
};

Result<tcp::acceptor> opened(asio::io_context& io, unsigned short port) {
  const tcp::endpoint here(asio::ip::address_v4::loopback(), port);
  tcp::acceptor acceptor(io);
  error_code error;
  acceptor.open(here.protocol());
  acceptor.set_option(tcp::acceptor::reuse_address(true));
  acceptor.bind(here, error);
  if (!error) acceptor.listen(asio::socket_base::max_listen_connections, error);
  if (error) {
    return refuse(ProblemKind::usage,
                  fmt::format("port {} cannot be used: {}", port, error.message()),
                  "Leave --port out, or give another number from 1024 to 65535.");
  }
  return acceptor;
}

}  // namespace

Result<void> serve_page(const PageOptions& options, const std::stop_token& stop) {
  const auto studio = jobs::Studio::beside(options.book);
  if (auto ok = studio.make_folders(); !ok) return ok;
  const jobs::AtWork at_work(studio);
  asio::io_context io(1);
  auto acceptor = opened(io, options.port);
  if (!acceptor) return std::unexpected(acceptor.error());
  const unsigned short port = acceptor->local_endpoint().port();
  RoomOptions room_options;
  room_options.studio = studio;
  room_options.port = port;
  room_options.keys = Keys::fresh();
  room_options.wall_ms = options.wall_ms;
  Room room(room_options);
  {
    Server server(io, room);
    asio::co_spawn(io, server.listen(*acceptor), asio::detached);
    const std::stop_callback on_stop(stop, [&] { io.stop(); });
    options.ready(fmt::format("http://127.0.0.1:{}/#key={}", port, room_options.keys.page));
    io.run();
    room.work().stop_all();
  }
  return {};
}

}  // namespace rebite::page

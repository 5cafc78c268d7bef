// The sockets: who can connect, who is put out, and that nobody waits for a bad neighbour.
#include <arpa/inet.h>
#include <fmt/format.h>
#include <gtest/gtest.h>
#include <ifaddrs.h>
#include <netinet/in.h>
#include <poll.h>
#include <sys/resource.h>
#include <sys/socket.h>
#include <unistd.h>

#include <chrono>
#include <filesystem>
#include <fstream>
#include <future>
#include <thread>

#include "page/page.h"

namespace rebite::page {
namespace {
namespace fs = std::filesystem;
using namespace std::chrono;

class Served {
 public:
  Served() {
    folder_ = fs::temp_directory_path() / fmt::format("rebite-served-{}", ::getpid());
    fs::remove_all(folder_);
    fs::create_directories(folder_);
    std::promise<std::string> address;
    auto told = address.get_future();
    thread_ = std::jthread([&, this](std::stop_token stop) {
      PageOptions options;
      options.book = folder_ / "book.sqlite";
      options.wall_ms = [] { return std::int64_t{1795600000000}; };
      options.ready = [&](const std::string& a) { address.set_value(a); };
      result_ = serve_page(options, stop);
    });
    const std::string a = told.get();
    port_ = static_cast<unsigned short>(std::stoi(a.substr(a.find(':', 7) + 1)));
    key_ = a.substr(a.find("key=") + 4);
  }
  ~Served() {
    thread_.request_stop();
    thread_.join();
    fs::remove_all(folder_);
  }
  unsigned short port() const { return port_; }
  std::string get(const std::string& target) const {
    return fmt::format(
        "GET {} HTTP/1.1\r\nHost: 127.0.0.1:{}\r\nX-Rebite-Key: {}\r\n\r\n", target, port_, key_);
  }

 private:
  fs::path folder_;
  unsigned short port_ = 0;
  std::string key_;
  std::jthread thread_;
  Result<void> result_;
};

class Client {
 public:
  explicit Client(unsigned short port, in_addr_t at = htonl(INADDR_LOOPBACK))
      : fd_(::socket(AF_INET, SOCK_STREAM, 0)) {
    sockaddr_in where{};
    where.sin_family = AF_INET;
    where.sin_port = htons(port);
    where.sin_addr.s_addr = at;
    connected_ = ::connect(fd_, reinterpret_cast<const sockaddr*>(&where), sizeof where) == 0;
  }
  ~Client() { ::close(fd_); }
  Client(const Client&) = delete;
  Client& operator=(const Client&) = delete;
  bool connected() const { return connected_; }
  void send(const std::string& bytes) const {
    (void)!::send(fd_, bytes.data(), bytes.size(), MSG_NOSIGNAL);
  }
  // Until `needle` was seen, the other end closed, or the time is over.
  std::string read(const std::string& needle, milliseconds most) const {
    std::string out;
    const auto until = steady_clock::now() + most;
    while (out.find(needle) == std::string::npos) {
      pollfd p{fd_, POLLIN, 0};
      const auto left = duration_cast<milliseconds>(until - steady_clock::now()).count();
      if (left <= 0 || ::poll(&p, 1, static_cast<int>(left)) <= 0) break;
      char piece[4096];
      const auto n = ::recv(fd_, piece, sizeof piece, 0);
      if (n <= 0) return out + "<closed>";
      out.append(piece, static_cast<std::size_t>(n));
    }
    return out;
  }

 private:
  int fd_;
  bool connected_ = false;
};

TEST(Sockets, AnswersOnLoopbackAndNowhereElse) {
  Served s;
  Client here(s.port());
  here.send(s.get("/api/book"));
  EXPECT_NE(here.read("batches", 5s).find("200 OK"), std::string::npos);
  ifaddrs* all = nullptr;
  ASSERT_EQ(::getifaddrs(&all), 0);
  int tried = 0;
  for (const ifaddrs* i = all; i; i = i->ifa_next) {
    if (!i->ifa_addr || i->ifa_addr->sa_family != AF_INET) continue;
    const auto at = reinterpret_cast<const sockaddr_in*>(i->ifa_addr)->sin_addr.s_addr;
    if ((ntohl(at) >> 24) == 127) continue;
    ++tried;
    EXPECT_FALSE(Client(s.port(), at).connected());
  }
  ::freeifaddrs(all);
  if (tried == 0) std::puts("note: this machine has no other address to try");
}

// VmRSS of this process, the page's, in MB.
double resident_mb() {
  std::ifstream status("/proc/self/status");
  for (std::string line; std::getline(status, line);) {
    if (line.starts_with("VmRSS:")) return std::stod(line.substr(6)) / 1024;
  }
  return 0;
}

TEST(Sockets, AThousandSlowAndBrokenClientsHarmNobody) {
  rlimit files{};
  ASSERT_EQ(::getrlimit(RLIMIT_NOFILE, &files), 0);
  files.rlim_cur = std::min<rlim_t>(files.rlim_max, 4096);  // both ends are in this process
  ASSERT_EQ(::setrlimit(RLIMIT_NOFILE, &files), 0);
  Served s;
  const double before = resident_mb();
  // More than the page keeps, all of them silent or in the middle of something.
  std::vector<std::unique_ptr<Client>> bad;
  for (int i = 0; i < 800; ++i) {
    bad.push_back(std::make_unique<Client>(s.port()));
    if (i % 3 == 0) bad.back()->send("GET / HT");
    if (i % 3 == 1) bad.back()->send("POST /api/scans HTTP/1.1\r\nContent-Length: 99999\r\n\r\nab");
  }
  const auto start = steady_clock::now();
  Client good(s.port());
  good.send(s.get("/api/book"));
  EXPECT_NE(good.read("batches", 5s).find("200 OK"), std::string::npos);
  EXPECT_LT(steady_clock::now() - start, 5s);
  // Ours stays although many more come.
  for (int i = 0; i < 200; ++i) bad.push_back(std::make_unique<Client>(s.port()));
  good.send(s.get("/api/book"));
  EXPECT_NE(good.read("batches", 5s).find("200 OK"), std::string::npos);
  EXPECT_EQ(bad.size(), 1000U);
  EXPECT_LT(resident_mb() - before, 100);
}

// Neither one that stops nor one that sends a byte now and then holds its place.
TEST(Sockets, AStalledClientIsPutOut) {
  Served s;
  Client stopped(s.port()), slow(s.port());
  stopped.send("GET / HTTP/1.1\r\nHost: 127.0.");
  const auto start = steady_clock::now();
  bool closed = false;
  for (int i = 0; i < 60 && !closed; ++i) {
    slow.send("G");
    closed = slow.read("never", 250ms).find("<closed>") != std::string::npos;
  }
  EXPECT_TRUE(closed);
  EXPECT_NE(stopped.read("never", 5s).find("<closed>"), std::string::npos);
  EXPECT_LT(steady_clock::now() - start, 14s);
}

TEST(Sockets, StopsAtOnceEvenWithClients) {
  auto s = std::make_unique<Served>();
  Client open(s->port());
  open.send("GET / HT");
  const auto start = steady_clock::now();
  s.reset();
  EXPECT_LT(steady_clock::now() - start, 2s);
}

}  // namespace
}  // namespace rebite::page

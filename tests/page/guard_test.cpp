// Who may ask. The rules are those of common practice for a service on a shared machine: Host and
// Origin against DNS rebinding and foreign pages (RFC 6454 for origins, RFC 9110 7.2 for Host).
#include <gtest/gtest.h>

#include "tests/page/asking.h"

namespace rebite::page {
namespace {

TEST(Guard, OurOwnPageIsAnswered) {
  Asking a;
  EXPECT_EQ(a.ask("GET", "/").status, 200);
  EXPECT_EQ(a.ask("GET", "/api/book").status, 200);
  EXPECT_EQ(a.ask("GET", "/api/book", "", {"Host: localhost:8123"}).status, 200);
  EXPECT_EQ(a.ask("POST", "/api/work/1/stop", "{}").status, 404);
}

TEST(Guard, AnyOtherHostIsTurnedAway) {
  Asking a;
  for (const char* host : {"evil.example",
                           "127.0.0.1",
                           "127.0.0.1:80",
                           "127.0.0.1:8124",
                           "127.0.0.1.evil.example:8123",
                           "127.0.0.1:8123.evil.example",
                           "evil.example:8123",
                           "localhost.:8123",
                           "LOCALHOST:8123",
                           "[::1]:8123",
                           "0.0.0.0:8123",
                           "127.1:8123",
                           "2130706433:8123",
                           "user@127.0.0.1:8123",
                           "127.0.0.1:8123,evil.example",
                           " "}) {
    EXPECT_EQ(a.ask("GET", "/", "", {std::string("Host: ") + host}).status, 421) << host;
    EXPECT_EQ(a.ask("GET", "/api/book", "", {std::string("Host: ") + host}).status, 421) << host;
  }
  EXPECT_EQ(a.ask("GET", "/", "", {"-Host"}).status, 421);
  EXPECT_EQ(a.raw("GET / HTTP/1.1\r\nHost: 127.0.0.1:8123\r\nHost: evil.example\r\n\r\n").status,
            421);
  EXPECT_EQ(a.raw("GET / HTTP/1.1\r\nHost: evil.example\r\nHost: 127.0.0.1:8123\r\n\r\n").status,
            421);
}

TEST(Guard, ForeignPagesAreTurnedAway) {
  Asking a;
  const auto before = a.files();
  for (const char* origin : {"null",
                             "http://evil.example",
                             "https://127.0.0.1:8123",
                             "http://127.0.0.1",
                             "http://127.0.0.1:8124",
                             "http://127.0.0.1:8123.evil.example",
                             "http://127.0.0.1:8123/",
                             "HTTP://127.0.0.1:8123",
                             "file://"}) {
    const std::string header = std::string("Origin: ") + origin;
    EXPECT_EQ(a.ask("GET", "/api/book", "", {header}).status, 403) << origin;
    EXPECT_EQ(a.ask("POST", "/api/states", "{}", {header}).status, 403) << origin;
  }
  EXPECT_EQ(a.ask("POST", "/api/states", "{}", {"-Origin"}).status, 403);
  for (const char* site : {"cross-site", "same-site", "SAME-ORIGIN", "x"}) {
    EXPECT_EQ(a.ask("GET", "/api/book", "", {std::string("Sec-Fetch-Site: ") + site}).status, 403);
  }
  EXPECT_EQ(a.files(), before);
  EXPECT_EQ(a.ask("GET", "/api/book", "", {"Sec-Fetch-Site: same-origin"}).status, 200);
  EXPECT_EQ(a.ask("GET", "/", "", {"Sec-Fetch-Site: none"}).status, 200);
}

TEST(Guard, WithoutTheKeyOfThisStartNothingIsTold) {
  Asking a;
  const auto before = a.files();
  const std::string good = a.keys().page;
  std::string near = good;
  near.back() = 'c';
  for (const std::string& key :
       {std::string("x"), near, good + "a", good.substr(1), a.keys().picture, Keys::fresh().page}) {
    EXPECT_EQ(a.ask("GET", "/api/book", "", {"X-Rebite-Key: " + key}).status, 401) << key;
    EXPECT_EQ(a.ask("POST", "/api/scans", "abc", {"X-Rebite-Key: " + key}).status, 401) << key;
  }
  EXPECT_EQ(a.ask("GET", "/api/book", "", {"-X-Rebite-Key"}).status, 401);
  EXPECT_EQ(a.ask("GET", "/api/book?key=" + good, "", {"-X-Rebite-Key"}).status, 401);
  EXPECT_EQ(a.ask("GET", "/api/book", "", {"-X-Rebite-Key", "Cookie: X-Rebite-Key=" + good}).status,
            401);
  EXPECT_EQ(a.ask("GET", "/api/nothing", "", {"-X-Rebite-Key"}).status, 401);
  EXPECT_EQ(a.files(), before);
}

TEST(Guard, PicturesNeedTheirOwnKey) {
  Asking a;
  EXPECT_EQ(a.ask("GET", "/pictures/" + a.keys().page + "/states/1/proof").status, 404);
  EXPECT_EQ(a.ask("GET", "/pictures/x/states/1/proof").status, 404);
  EXPECT_EQ(a.ask("GET", "/pictures/" + a.keys().picture + "/states/1/proof").status, 404);
}

TEST(Guard, ChangesAreNeverMadeByLookingAtSomething) {
  Asking a;
  for (const char* target : {"/api/states",
                             "/api/wedges",
                             "/api/scans",
                             "/api/plans/1/edits",
                             "/api/plans/1/undo",
                             "/api/work/1/stop"}) {
    const int status = a.ask("GET", target).status;
    EXPECT_TRUE(status == 405 || status == 404) << target << status;
  }
  for (const char* method : {"PUT", "DELETE", "PATCH", "OPTIONS", "HEAD", "TRACE", "CONNECT"}) {
    EXPECT_EQ(a.ask(method, "/api/book").status, 405) << method;
  }
}

TEST(Guard, EveryAnswerCarriesTheSameRules) {
  Asking a;
  for (const auto& answer : {a.ask("GET", "/"),
                             a.ask("GET", "/api/book"),
                             a.ask("GET", "/nothing"),
                             a.ask("GET", "/", "", {"Host: evil.example"}),
                             a.raw("rubbish\r\n\r\n")}) {
    EXPECT_NE(answer.head.find("default-src 'none'"), std::string::npos) << answer.head;
    EXPECT_EQ(answer.head.find("unsafe-"), std::string::npos);
    EXPECT_NE(answer.head.find("X-Content-Type-Options: nosniff"), std::string::npos);
    EXPECT_NE(answer.head.find("frame-ancestors 'none'"), std::string::npos);
    EXPECT_NE(answer.head.find("Referrer-Policy: no-referrer"), std::string::npos);
    EXPECT_EQ(answer.head.find("Access-Control-"), std::string::npos);
    EXPECT_EQ(answer.head.find("Set-Cookie"), std::string::npos);
  }
}

TEST(Guard, TwoStartsHaveDifferentKeys) {
  const Keys a = Keys::fresh(), b = Keys::fresh();
  EXPECT_EQ(a.page.size(), 32u);
  EXPECT_NE(a.page, b.page);
  EXPECT_NE(a.page, a.picture);
}

}  // namespace
}  // namespace rebite::page

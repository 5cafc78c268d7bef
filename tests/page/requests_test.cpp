// What is asked: paths, sizes, bodies, names.
#include <fmt/format.h>
#include <gtest/gtest.h>

#include <algorithm>
#include <cstdlib>
#include <fstream>
#include <nlohmann/json.hpp>

#include "tests/page/asking.h"

namespace rebite::page {
namespace {
using nlohmann::json;

TEST(Requests, NoPathOfTheClientReachesTheDisk) {
  Asking a;
  std::ofstream(a.folder() / "secret.txt") << "the secret";
  const auto& studio = a.room().options().studio;
  for (const auto& folder : {studio.folder, studio.uploads(), studio.plans()}) {
    std::filesystem::create_symlink(a.folder() / "secret.txt", folder / "link.txt");
  }
  std::filesystem::create_directories(studio.plans() / "1/sheets");
  std::filesystem::create_symlink(a.folder() / "secret.txt", studio.plans() / "1/sheets/link.txt");
  const std::string key = a.keys().picture;
  for (const std::string& target : {std::string("/../secret.txt"),
                                    std::string("/..%2fsecret.txt"),
                                    std::string("/%2e%2e/secret.txt"),
                                    std::string("/..%5csecret.txt"),
                                    std::string("//secret.txt"),
                                    std::string("/./secret.txt"),
                                    std::string("/secret.txt%00.html"),
                                    std::string("/index.html/../../secret.txt"),
                                    std::string("/file:///etc/passwd"),
                                    std::string("http://127.0.0.1:8123/api/book"),
                                    "/" + a.folder().string() + "/secret.txt",
                                    std::string("/api/plans/../../secret.txt"),
                                    std::string("/api/plates/1/../../book"),
                                    std::string("/api/plates/-1"),
                                    std::string("/api/plates/1e3"),
                                    std::string("/api/plates/0x1"),
                                    std::string("/api/plates/99999999999999999999"),
                                    std::string("/api/plates/"),
                                    std::string("/api/plates/1/"),
                                    std::string("/api//book"),
                                    std::string("/API/book"),
                                    std::string("/api/plans/1/files/../../kept.json"),
                                    std::string("/api/plans/1/files/kept.json"),
                                    "/pictures/" + key + "/plans/1/../0/0/0",
                                    "/pictures/" + key + "/plans/1/proof/0/..%2f/0",
                                    "/pictures/" + key + "/states/1/../../secret.txt",
                                    "/pictures/" + key + "/plans/1/proof/-1/0/0",
                                    "/pictures/" + key + "/plans/1/proof/99/0/0",
                                    "/pictures/" + key + "/../../secret.txt",
                                    std::string("/link.txt"),
                                    std::string("/scans/link.txt"),
                                    std::string("/plans/link.txt"),
                                    std::string("/api/plans/1/files/link.txt"),
                                    "/pictures/" + key + "/plans/1/link.txt",
                                    std::string("*"),
                                    "/" + std::string(5000, 'a')}) {
    const auto answer = a.ask("GET", target);
    EXPECT_TRUE(answer.status == 404 || answer.status == 400) << target << " " << answer.status;
    EXPECT_EQ(answer.body.find("the secret"), std::string::npos) << target;
    EXPECT_EQ(answer.body.find("root:"), std::string::npos) << target;
  }
}

TEST(Requests, NamesOfScansGiveHarmlessFiles) {
  Asking a;
  const auto before = a.files();
  for (const char* name : {"../../evil.tif",
                           "%2e%2e%2f%2e%2e%2fevil.tif",
                           "/etc/passwd",
                           "a%00b.tif",
                           "..",
                           "%0aX: y",
                           "C%3a%5cevil.tif",
                           "~%2fevil.tif",
                           "-rf.tif",
                           "%ff%fe.tif"}) {
    // No picture: refused, and nothing of it is left.
    const auto answer =
        a.ask("POST", "/api/scans", "no picture", {std::string("X-Rebite-Name: ") + name});
    EXPECT_EQ(answer.status, 400) << name;
    EXPECT_EQ(answer.body.find(a.folder().string()), std::string::npos) << answer.body;
    EXPECT_EQ(a.files(), before) << name;
  }
}

// 1 x 1 px grey PNG at 300 dpi.
std::string small_png() {
  std::ifstream in(std::string(REBITE_SOURCE_DIR) + "/tests/sheets/reference/scanner.png",
                   std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}

TEST(Requests, AScanIsTakenWhole) {
  Asking a;
  const std::string png = small_png();
  ASSERT_GT(png.size(), 1000u);
  const auto answer = a.ask("POST", "/api/scans", png, {"X-Rebite-Name: my%20proof%20%3Cb%3E.png"});
  ASSERT_EQ(answer.status, 200) << answer.body;
  const json j = json::parse(answer.body);
  EXPECT_EQ(j["name"], "my proof <b>.png");
  EXPECT_GT(j["width"].get<int>(), 10);
  int kept = 0;
  for (const auto& f : a.files()) {
    kept += f.find("book-studio/waiting/my-proof") != std::string::npos;
  }
  EXPECT_EQ(kept, 1);
  // Never used: nothing of it is left when the page ends.
  a.end();
  for (const auto& f : a.files()) EXPECT_EQ(f.find("my-proof"), std::string::npos) << f;
}

// What a page that was killed left waiting goes when the next one starts, but not while another
// one is at work; scans of the book stay.
TEST(Requests, WhatAKilledPageLeftIsCleared) {
  Asking a;
  const auto& studio = a.room().options().studio;
  const auto put = [&](const std::filesystem::path& folder) {
    std::ofstream(folder / "left.tif") << "a scan";
  };
  put(studio.waiting());
  put(studio.uploads());
  {
    const jobs::AtWork first(studio);
    EXPECT_FALSE(std::filesystem::exists(studio.waiting() / "left.tif"));
    put(studio.waiting());
    const jobs::AtWork second(studio);
    EXPECT_TRUE(std::filesystem::exists(studio.waiting() / "left.tif"));
  }
  const jobs::AtWork later(studio);
  EXPECT_FALSE(std::filesystem::exists(studio.waiting() / "left.tif"));
  EXPECT_TRUE(std::filesystem::exists(studio.uploads() / "left.tif"));
}

TEST(Requests, SizesAreBounded) {
  Asking a;
  const auto before = a.files();
  EXPECT_EQ(a.ask("POST", "/api/scans", std::string(100'001, 'x')).status, 413);
  EXPECT_EQ(a.ask("POST", "/api/states", std::string(10'001, ' ')).status, 413);
  // Only said to be large: refused before a byte of it.
  EXPECT_EQ(a.ask("POST", "/api/scans", "x", {"Content-Length: 999999999999"}).status, 400);
  EXPECT_EQ(a.ask("GET", "/", "", {"X-Long: " + std::string(1'000'000, 'h')}).status, 400);
  EXPECT_EQ(a.files(), before);
}

TEST(Requests, LiesAboutTheBodyAreRefused) {
  Asking a;
  const auto before = a.files();
  const auto post = [&](const std::string& extra, const std::string& body) {
    return a.ask("POST", "/api/scans", body, {"-Content-Length", extra}).status;
  };
  EXPECT_EQ(post("Transfer-Encoding: chunked", "5\r\nabc\r\n0\r\n\r\n"), 400);
  EXPECT_EQ(post("Transfer-Encoding: chunked", "ffffffffffffffffff\r\nabc\r\n0\r\n\r\n"), 400);
  EXPECT_EQ(post("Transfer-Encoding: chunked", "-1\r\nabc\r\n0\r\n\r\n"), 400);
  EXPECT_EQ(post("Transfer-Encoding: chunked", "zz\r\nabc\r\n"), 400);
  EXPECT_EQ(post("Transfer-Encoding: chunked", "3\r\nabc\r\n"), 400);  // never ends
  EXPECT_EQ(post("Content-Length: 50", "only this"), 400);             // cut short
  EXPECT_EQ(post("Content-Length: -5", "abc"), 400);
  EXPECT_EQ(post("Content-Length: 1x", "abc"), 400);
  EXPECT_EQ(a.ask("POST", "/api/scans", "abc", {"Transfer-Encoding: chunked"}).status,
            400);  // both
  EXPECT_EQ(a.raw("").status, 400);
  EXPECT_EQ(a.raw("GET / HTTP/1.1\r\nHost: 127.0.0.1:8123\r\n").status, 400);
  EXPECT_EQ(a.raw("GET / HTTP/9.9\r\n\r\n").status, 400);
  EXPECT_EQ(a.raw(std::string(20'000, '\0')).status, 400);
  EXPECT_EQ(a.files(), before);
}

TEST(Requests, FormsThatAreNoneAreRefused) {
  Asking a;
  for (const char* body : {"",
                           "null",
                           "[]",
                           "{",
                           "\"x\"",
                           "{}",
                           "{\"proof\":1e999}",
                           "{\"proof\":{\"a\":[[[[]]]]},\"drawing\":-1}",
                           "{\"proof\":1,\"drawing\":2}"}) {
    EXPECT_EQ(a.ask("POST", "/api/states", body).status, 400) << body;
    EXPECT_EQ(a.ask("POST", "/api/wedges", body).status, 400) << body;
    EXPECT_GE(a.ask("POST", "/api/plans/1/edits", body).status, 400) << body;
    EXPECT_EQ(a.ask("POST", "/api/states/1/bath", body).status, 400) << body;
  }
  EXPECT_EQ(a.ask("POST", "/api/states", "{}", {"Content-Type: text/plain"}).status, 400);
  EXPECT_EQ(a.ask("POST", "/api/states", std::string(5000, '[')).status, 400);
}

TEST(Requests, ANameIsDataNotMarkup) {
  Asking a;
  auto book = jobs::open_book(a.room().options().studio.book, "", jobs::BookAccess::make);
  ASSERT_TRUE(book);
  jobs::BookPlate plate;
  plate.title = "<img src=x onerror=alert(1)></script>";
  plate.size = {150, 110};
  ASSERT_TRUE(book->add_plate(plate));
  const auto answer = a.ask("GET", "/api/book");
  ASSERT_EQ(answer.status, 200);
  EXPECT_NE(answer.head.find("Content-Type: application/json"), std::string::npos);
  EXPECT_EQ(json::parse(answer.body)["plates"][0]["title"], plate.title);
}

TEST(Requests, WhatIsNotInTheBookIsToldSo) {
  Asking a;
  for (const char* target :
       {"/api/plates/7", "/api/batches/7", "/api/scanners/7", "/api/plans/7", "/api/states/7/bath", "/api/work/7"}) {
    const auto answer = a.ask("GET", target);
    EXPECT_TRUE(answer.status == 400 || answer.status == 404) << target << answer.status;
    EXPECT_TRUE(json::parse(answer.body).contains("what")) << target;
  }
}

TEST(Requests, ScannerCurvesAreHandedInAndShown) {
  Asking a;
  std::ifstream in(std::string(REBITE_SOURCE_DIR) + "/tests/fuzz/seeds/json/scanner.json");
  const std::string text{std::istreambuf_iterator<char>(in), {}};
  const auto hand_in = [&](const std::string& name, const std::string& curve) {
    return a.ask("POST", "/api/scanners/file", json{{"name", name}, {"text", curve}}.dump());
  };
  const auto taken = hand_in("flatbed.scanner.json", text);
  ASSERT_EQ(taken.status, 200) << taken.body;
  const int id = json::parse(taken.body)["scanner"];
  EXPECT_EQ(json::parse(a.ask("GET", "/api/scanners").body)["scanners"][0]["name"], "flatbed");
  EXPECT_EQ(json::parse(a.ask("GET", "/api/book").body)["scanners"][0]["id"], id);
  const auto shown = a.ask("GET", fmt::format("/api/scanners/{}", id));
  ASSERT_EQ(shown.status, 200) << shown.body;
  EXPECT_NE(shown.body.find("<svg"), std::string::npos);
  const auto before = a.files();
  for (const char* name : {"../../evil.scanner.json", "a/b", ".x", ""}) {
    EXPECT_EQ(hand_in(name, text + " ").status, 400) << name;
  }
  EXPECT_EQ(hand_in("bad.scanner.json", "{}").status, 400);
  EXPECT_EQ(a.files(), before);
  EXPECT_EQ(a.ask("GET", "/api/scanners/99").status, 400);
  EXPECT_EQ(a.ask("POST", "/api/scanners", "{}").status, 400);
}

// A scan too many lets go the one that waited longest, and its file with it.
TEST(Requests, ManyScansCanBeHandedInOneAfterAnother) {
  Asking a;
  const std::string png = small_png();
  const auto waiting = [&] {
    const auto all = a.files();
    return std::ranges::count_if(
        all, [](const auto& f) { return f.find("/waiting/") != std::string::npos; });
  };
  for (int i = 0; i < 70; ++i) {
    ASSERT_EQ(a.ask("POST", "/api/scans", png, {"X-Rebite-Name: s.png"}).status, 200) << i;
  }
  EXPECT_EQ(waiting(), 60);
}

// Late in the evening it is still that day, wherever the machine stands.
TEST(Requests, TheDayIsTheLocalOne) {
  const char* zone = std::getenv("TZ");
  const std::string before = zone ? zone : "";
  ::setenv("TZ", "XXX-14:30", 1);  // POSIX: 14 hours and a half ahead of UTC
  ::tzset();
  Asking a;  // its clock: 2026-11-25 09:46:40 UTC
  const auto now = a.room().now_text();
  if (zone) ::setenv("TZ", before.c_str(), 1);
  else ::unsetenv("TZ");
  ::tzset();
  EXPECT_EQ(now, "2026-11-26T00:16:40+14:30");
}

TEST(Requests, RangesAreIgnored) {
  Asking a;
  const auto whole = a.ask("GET", "/");
  std::string sixty = "Range: bytes=0-0";
  for (int i = 1; i < 60; ++i) sixty += fmt::format(",{}-{}", i, i % 2 ? 99999999 : i);
  for (const std::string& range :
       {std::string("Range: bytes=0-0,1-1,2-2,0-,-1"), sixty, std::string("Range: bytes=5-1")}) {
    const auto ranged = a.ask("GET", "/", "", {range});
    EXPECT_EQ(ranged.status, 200);
    EXPECT_EQ(ranged.body, whole.body);
  }
}

}  // namespace
}  // namespace rebite::page

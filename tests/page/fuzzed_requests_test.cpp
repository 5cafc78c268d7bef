// 10,000 requests, each a sound one with bytes changed, cut, doubled or moved: seeded, so that a
// fault can be found again. Run under AddressSanitizer too (scripts/check).
#include <gtest/gtest.h>

#include <random>

#include "tests/page/asking.h"

namespace rebite::page {
namespace {

struct Sound {
  std::string method, target, body;
  std::vector<std::string> headers;
};

std::vector<Sound> sound_requests(const Asking& a) {
  const std::string pictures = "/pictures/" + a.keys().picture;
  return {{"GET", "/", "", {}},
          {"GET", "/api/book", "", {}},
          {"GET", "/api/plates/1", "", {}},
          {"GET", "/api/plans/12/files/3", "", {}},
          {"GET", pictures + "/plans/1/next/2/3/4", "", {}},
          {"GET", pictures + "/states/1/proof", "", {}},
          {"POST",
           "/api/scans",
           std::string("II*\0\x08\0\0\0 some bytes of a scan", 29),
           {"X-Rebite-Name: proof.tif"}},
          {"POST",
           "/api/scans",
           "4\r\nII*x\r\n0\r\n\r\n",
           {"-Content-Length", "Transfer-Encoding: chunked"}},
          {"POST",
           "/api/states",
           R"({"plate":"Lock","size":"150x110","proof":1,"drawing":2,"batch":0})",
           {}},
          {"POST",
           "/api/wedges",
           R"({"scans":[1,2],"name":"ferric","times":"0s,15s,30s","dips":false})",
           {}},
          {"POST",
           "/api/plans/1/edits",
           R"({"edits":[{"do":"set","region":3,"action":"hold","density":0.5},
             {"do":"cut","region":2,"line_mm":[[1,2],[3.5,4]]},{"do":"leave","line_mm":[[1,2]],"radius_mm":2}]})",
           {}},
          {"POST", "/api/scanners/file", R"({"name":"flatbed.scanner.json","text":"{\"format\":1}"})", {}},
          {"POST", "/api/scanners", R"({"scan":1,"name":"flatbed","densities":"0.05,0.4,1.6"})", {}},
          {"GET", "/api/baths", "", {}},
          {"POST", "/api/states/1/bath", R"({"do":"start","temperature":"19C"})", {}},
          {"POST", "/api/work/1/stop", "{}", {}}};
}

std::string mutated(std::string s, const std::vector<std::string>& all, std::mt19937& chance) {
  const auto below = [&](std::size_t n) {
    return static_cast<std::size_t>(chance() % std::max<std::size_t>(1, n));
  };
  static const std::string tokens[] = {"\r\n",
                                       "\r\n\r\n",
                                       "..",
                                       "%2e%2f",
                                       "\"",
                                       "{",
                                       "[[[[",
                                       "chunked",
                                       "1e999",
                                       "-1",
                                       "18446744073709551616",
                                       "Content-Length: 5\r\n",
                                       "Host: x\r\n",
                                       "\0\0",
                                       "0\r\n\r\n",
                                       "Transfer-Encoding: chunked\r\n",
                                       "\xff\xfe",
                                       "null"};
  for (std::size_t n = 1 + below(6); n > 0; --n) {
    const std::size_t at = below(s.size() + 1);
    switch (below(7)) {
      case 0:
        if (at < s.size()) s[at] = static_cast<char>(chance());
        break;
      case 1:
        s.resize(at);
        break;
      case 2:
        s.insert(at, s.substr(below(s.size() + 1), below(200)));
        break;
      case 3:
        s.erase(at, below(40));
        break;
      case 4:
        s.insert(at, tokens[below(std::size(tokens))]);
        break;
      case 5: {
        const std::string& other = all[below(all.size())];
        s = s.substr(0, at) + other.substr(below(other.size()));
        break;
      }
      default:
        if (at < s.size()) s[at] = static_cast<char>(s[at] ^ (1 << below(8)));
        break;
    }
    if (s.size() > 50'000) s.resize(50'000);
  }
  return s;
}

TEST(FuzzedRequests, TenThousandHarmNothing) {
  Asking a;
  const auto sound = sound_requests(a);
  std::vector<std::string> whole, targets, bodies;
  for (const auto& s : sound) {
    whole.push_back(a.request(s.method, s.target, s.body, s.headers));
    targets.push_back(s.target);
    bodies.push_back(s.body);
  }
  std::mt19937 chance(20261125);
  std::map<int, int> by_status;
  for (std::size_t i = 0; i < 10'000; ++i) {
    const std::size_t k = i / 3 % sound.size();
    const Sound& s = sound[k];
    // In turn: any bytes of it; its body only; its address only, so that doors are got past.
    const std::string bytes =
        i % 3 == 0   ? mutated(whole[k], whole, chance)
        : i % 3 == 1 ? a.request(s.method, s.target, mutated(s.body, bodies, chance), s.headers)
                     : a.request(s.method, mutated(s.target, targets, chance), s.body, s.headers);
    const auto answer = a.raw(bytes);
    ASSERT_GE(answer.status, 200) << i;
    ASSERT_LE(answer.status, 500) << i;
    ++by_status[answer.status];
    // Nothing of the studio is told to whoever does not show the key.
    if (answer.status == 200 && bytes.find(a.keys().page) == std::string::npos) {
      ASSERT_EQ(answer.head.find("application/json"), std::string::npos) << bytes;
    }
    ASSERT_EQ(answer.body.find(a.folder().string()), std::string::npos) << answer.body;
  }
  // Else the mutations would have tried the parser alone.
  EXPECT_GT(by_status[200], 500);
  EXPECT_GT(by_status[400], 1000);
  EXPECT_GT(by_status[404], 500);
  EXPECT_EQ(by_status[500], 0);
}

}  // namespace
}  // namespace rebite::page

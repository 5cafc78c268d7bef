// The files that the commands write for each other, cut at every place and with single bytes
// changed: refused with a reason, or read as the same; never a crash. A cut is never taken for the
// whole, a changed digit never for another good number: the files are sealed (files/seal.h).
#include <gtest/gtest.h>

#include <random>

#include "jobs/plan_inputs.h"
#include "scan/scanner_curve.h"
#include "tests/faults/child.h"
#include "wedge/tone_curve.h"

namespace rebite::faults {
namespace {

constexpr int flips = 1500;

// What reading gives, written again; empty when refused.
std::string batch_again(const std::string& text) {
  const auto batch = wedge::batch_from_json(text, "f.batch.json");
  if (batch) return wedge::to_json(*batch);
  EXPECT_NE(batch.error().what.find("f.batch.json"), std::string::npos) << batch.error().what;
  EXPECT_FALSE(batch.error().next.empty());
  return "";
}

std::string scanner_again(const std::string& text) {
  const auto curve = scan::scanner_curve_from_json(text, "s.scanner.json");
  if (curve) return scan::to_json(*curve);
  EXPECT_NE(curve.error().what.find("s.scanner.json"), std::string::npos) << curve.error().what;
  EXPECT_FALSE(curve.error().next.empty());
  return "";
}

template <class Read>
void damage(const std::string& good, const Read& read, const std::string& what) {
  const std::string whole = read(good);
  ASSERT_FALSE(whole.empty());
  const std::size_t last = good.find_last_of('}');
  for (std::size_t n = 0; n <= last; n += 1 + n % 7) {
    EXPECT_EQ(read(good.substr(0, n)), "") << "cut at " << n;
  }
  std::mt19937_64 random(21);
  int refused = 0, same = 0, other = 0;
  for (int i = 0; i < flips; ++i) {
    std::string bytes = good;
    char& byte = bytes[random() % bytes.size()];
    byte = static_cast<char>(byte ^ static_cast<char>(1 + random() % 255));
    const std::string got = read(bytes);
    refused += got.empty();
    same += got == whole;
    other += !got.empty() && got != whole;
  }
  std::printf(
      "%s: of %d changed bytes %d refused, %d the same\n", what.c_str(), flips, refused, same);
  EXPECT_EQ(other, 0) << "taken for another good number or text";
  EXPECT_GT(refused, flips / 2) << "most changes break the form";
}

TEST(DamagedJson, BatchAndScannerCurve) {
  const WorkFolder work;
  const std::string batch = (work / "f.batch.json").string();
  const std::string curve = (work / "s.scanner.json").string();
  ASSERT_EQ(run_program({"wedge",
                         material("wedge.tif"),
                         "--times",
                         "0s,30s,1min,2min,4min,8min,16min",
                         "--out",
                         batch})
                .code,
            0);
  ASSERT_EQ(run_program({"scanner",
                         material("greys.tif"),
                         "--densities",
                         "0.07,0.30,0.62,1.00,1.42,1.65",
                         "--out",
                         curve})
                .code,
            0);
  damage(read_all(batch), batch_again, "batch");
  damage(read_all(curve), scanner_again, "scanner curve");
}

// Numbers as people and other programs write them (table 4.2 "numbers").
TEST(OddNumbers, AreRefusedWithTheReason) {
  const WorkFolder work;
  const std::string out = (work / "x.json").string();
  for (const std::string number : {"nan",
                                   "NaN",
                                   "inf",
                                   "-inf",
                                   "1e999",
                                   "1,5",
                                   "\xd9\xa3",
                                   "0x10",
                                   "--1",
                                   "1.2.3",
                                   "1e",
                                   "",
                                   " ",
                                   "1 2",
                                   "1.5min2",
                                   "-1"}) {
    const auto times = run_program({"wedge",
                                    material("wedge.tif"),
                                    "--times",
                                    "0s," + number + "min,1min,2min",
                                    "--out",
                                    out});
    EXPECT_TRUE(times.code == 64 || times.code == 65) << number << ": " << times.code << times.err;
    const auto greys = run_program({"scanner",
                                    material("greys.tif"),
                                    "--densities",
                                    "0.07,0.30," + number + ",1.00,1.42,1.65",
                                    "--out",
                                    out});
    EXPECT_TRUE(greys.code == 64 || greys.code == 65) << number << ": " << greys.code << greys.err;
    EXPECT_TRUE(std::filesystem::is_empty(work.path()));
  }
  for (const std::string size :
       {"0x30", "-40x30", "nanx30", "40x", "x", "1e9x30", "40x30furlong"}) {
    const auto plan = run_program({"plan",
                                   material("proof.tif"),
                                   material("drawing.tif"),
                                   "--plate",
                                   size,
                                   "--out",
                                   (work / "p").string()});
    EXPECT_TRUE(plan.code == 64 || plan.code == 65) << size << ": " << plan.code << plan.err;
  }
  const std::string book = (work / "b.sqlite").string();
  ASSERT_EQ(run_program({"book", "open", "--book", book}).code, 0);
  for (const std::vector<std::string>& odd :
       {std::vector<std::string>{"plate", "P", "--size", "40x30", "--thickness", "99"},
        {"batch", "ferric", "--volume", "nan"},
        {"batch", "ferric", "--mixed-on", "2026-13-01"},
        {"batch", "ferric", "--mixed-on", "2026- 1- 1"},
        {"batch", "ferric", "--mixed-on", "+202-01-01"}}) {
    std::vector<std::string> words{"book"};
    words.insert(words.end(), odd.begin(), odd.end());
    words.insert(words.end(), {"--book", book});
    const auto ended = run_program(words);
    EXPECT_EQ(ended.code, 64) << odd.back() << ended.err;
    EXPECT_EQ(ended.err.find("CHECK"), std::string::npos) << ended.err;
  }
  for (const std::string t : {"21", "-300C", "nanC", "21K", "1e9F"}) {
    const auto wedge = run_program({"wedge",
                                    material("wedge.tif"),
                                    "--times",
                                    "0s,30s,1min,2min,4min,8min,16min",
                                    "--temperature",
                                    t,
                                    "--out",
                                    out});
    EXPECT_EQ(wedge.code, 64) << t << ": " << wedge.err;
  }
}

}  // namespace
}  // namespace rebite::faults

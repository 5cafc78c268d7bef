// Every picture of the outside set of broken and unusual ones through the built program: no crash,
// no hang over 2 s, at most 300 MiB for a refusal, and the message names the file and the reason.
#include <gtest/gtest.h>

#include "tests/faults/child.h"
#include "tests/support/outside_data.h"

namespace rebite::faults {
namespace {
namespace fs = std::filesystem;

TEST(BadImages, AreReadOrRefusedByName) {
  const auto folder = maker::outside_data("bad-images");
  REBITE_NEEDS_OUTSIDE_DATA(folder);
  int files = 0, refused = 0;
  long peak = 0;
  double slowest = 0;
  for (const auto& entry : fs::recursive_directory_iterator(folder)) {
    if (!entry.is_regular_file()) continue;
    const std::string name = entry.path().filename().string();
    const auto ended =
        run_program({"read", entry.path().string(), "--at", "8,8,1", "--dpi", "300", "--json"},
                    {.give_up = std::chrono::seconds(20)});
    ++files;
    EXPECT_FALSE(ended.hung) << name;
    EXPECT_EQ(ended.signal, 0) << name;
    // 64: a good picture, too small for any aperture.
    const bool tiny = ended.code == 64 && ended.err.find("aperture") != std::string::npos;
    EXPECT_TRUE(ended.code == 0 || ended.code == 65 || tiny)
        << name << ": " << ended.code << ' ' << ended.err;
    if (ended.code == 0) continue;
    ++refused;
    EXPECT_TRUE(ended.out.empty()) << name;
    EXPECT_NE(ended.err.find(name), std::string::npos) << ended.err;
    EXPECT_LE(std::count(ended.err.begin(), ended.err.end(), '\n'), 2) << ended.err;
    peak = std::max(peak, ended.peak_kib);
    slowest = std::max(slowest, ended.own_seconds);
  }
  EXPECT_EQ(files, 63);
  EXPECT_LE(peak, 300 * 1024) << "KiB for a refusal";
  // Of processor time: beside other tests a refusal waits for its turn.
  EXPECT_LT(slowest, 2) << "seconds for a refusal";
  RecordProperty("refused", refused);
  RecordProperty("peak_kib", static_cast<int>(peak));
}

}  // namespace
}  // namespace rebite::faults

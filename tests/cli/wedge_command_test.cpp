// rebite wedge as a user calls it: what only the command shows.
#include <gtest/gtest.h>

#include <fstream>
#include <nlohmann/json.hpp>

#include "tests/cli/run_rebite.h"
#include "tests/jobs/studio.h"
#include "tests/support/crossed_plate.h"

namespace rebite::cli {
namespace {

class WedgeCommand : public ::testing::Test {
 protected:
  static maker::Scanner scanner() {
    maker::Scanner s;
    s.channels = 1;
    s.dpi = 120;
    return s;
  }
  std::string file(const std::string& name) const { return (folder / name).string(); }
  nlohmann::json batch() const {
    std::ifstream in(folder / "b.batch.json");
    return nlohmann::json::parse(in);
  }
  jobs::StudioFolder folder;
};

// The overlap of a fresh ground is measured where a crossed wedge is given, and lands in the batch.
TEST_F(WedgeCommand, ACrossedWedgeReplacesTheAssumedOverlap) {
  maker::CrossedSpec crossed;
  crossed.overlap_q = 0.7;
  maker::WedgeSpec plain;
  plain.minutes = {0, 0.5, 1, 2, 4, 8, 16};
  plain.step = {11, 16};
  maker::write_scan(maker::print_wedge(plain, {}, scanner()), file("plain.tif"));
  maker::write_scan(maker::print_crossed(crossed, {}, scanner()), file("crossed.tif"));
  const std::vector<std::string> only_plain{"wedge",
                                            file("plain.tif"),
                                            "--times",
                                            "0s,30s,1min,2min,4min,8min,16min",
                                            "--out",
                                            file("b.batch.json")};
  ASSERT_EQ(run_rebite(only_plain).code, 0);
  EXPECT_FALSE(batch().at("overlap").at("measured").get<bool>());

  std::vector<std::string> both = only_plain;
  both.insert(both.end(),
              {"--crossed",
               file("crossed.tif"),
               "--crossed-first",
               "0s,30s,1min,2min,4min",
               "--crossed-second",
               "0s,30s,1min,2min"});
  const Said said = run_rebite(both);
  ASSERT_EQ(said.code, 0) << said.err;
  EXPECT_NE(said.out.find("by the crossed wedge"), std::string::npos) << said.out;
  const auto overlap = batch().at("overlap");
  EXPECT_TRUE(overlap.at("measured").get<bool>());
  EXPECT_NEAR(overlap.at("q").get<double>(), 0.7, 2.5 * overlap.at("sd").get<double>());

  both.back() = "0s,30s,1min";  // a strip less than the scan shows
  const Said refused = run_rebite(both);
  EXPECT_EQ(refused.code, 65);
  EXPECT_NE(refused.err.find("crossed.tif"), std::string::npos) << refused.err;
}

}  // namespace
}  // namespace rebite::cli

// scripts/make-samples gives the files of samples/ again, byte for byte.
#include <gtest/gtest.h>

#include <filesystem>
#include <fstream>
#include <iterator>

#include "tests/support/lock_sheets.h"

namespace rebite::maker {
namespace {

std::string bytes_of(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), std::istreambuf_iterator<char>()};
}

TEST(Samples, AreMadeAgainByteForByte) {
  const std::filesystem::path folder = std::filesystem::path(REBITE_SOURCE_DIR) / "samples";
  std::uintmax_t all = 0;
  for (const auto& name : sample_names(false)) {
    ASSERT_TRUE(std::filesystem::exists(folder / name)) << name << ": run scripts/make-samples";
    all += std::filesystem::file_size(folder / name);
    // Not EXPECT_EQ: it would print megabytes.
    EXPECT_TRUE(bytes_of(folder / name) == sample_bytes(name))
        << name << " differs from what the plate maker draws now: run scripts/make-samples";
  }
  EXPECT_LT(all, 25'000'000U);
  EXPECT_EQ(bytes_of(folder / "grey-scale.densities"), sample_grey_text() + "\n");
  EXPECT_EQ(bytes_of(folder / "wedge.times"), sample_times_text() + "\n");
}

}  // namespace
}  // namespace rebite::maker

// Good files cut at every kind of place and with single bytes changed: read or refused, never a
// crash, and a file that is read after a cut shows the same picture. The full set (11,000) runs in
// the long program; sanitizer builds run both.
#include <gtest/gtest.h>

#include <algorithm>
#include <cstdint>
#include <cstdio>
#include <fstream>
#include <iterator>

#include "scan/load.h"
#include "tests/scan/made_files.h"

namespace rebite::scan {
namespace {

using made::Folder;

#ifdef REBITE_MANY_CUTS
constexpr int cuts = 130, flips = 1250;
#else
constexpr int cuts = 12, flips = 60;
#endif

std::string bytes_of(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}

void put(const std::filesystem::path& file, const std::string& bytes) {
  std::ofstream(file, std::ios::binary | std::ios::trunc) << bytes;
}

class Chance {
 public:
  std::size_t below(std::size_t n) {
    state_ = state_ * 6364136223846793005U + 1442695040888963407U;
    return static_cast<std::size_t>(state_ >> 33) % n;
  }

 private:
  std::uint64_t state_ = 42;
};

std::vector<std::filesystem::path> good_files(const Folder& folder) {
  std::vector<std::filesystem::path> files;
  int n = 0;
  const auto next = [&](const char* ending) {
    files.push_back(folder / ("good" + std::to_string(n++) + ending));
    return files.back();
  };
  made::Picture p;
  p.channels = 3;
  write_tiff(next(".tif"), p, {});
  write_tiff(
      next(".tif"), p, {.big_endian = true, .tiles = true, .planar = true, .compression = 5});
  write_tiff(next(".tif"), p, {.big_tiff = true, .compression = 8, .predictor = 2});
  write_tiff(next(".tif"), p, {.compression = 32773, .orientation = 6});
  write_png(next(".png"), p, {});
  write_png(
      next(".png"), p, {.interlaced = true, .alpha = 1, .gamma = 0.45455, .exif_orientation = 8});
  p.bits = 8;
  write_jpeg(next(".jpg"), p, {.exif_orientation = 3, .exif_dpi = 300});
  write_jpeg(next(".jpg"), p, {.progressive = true});
  return files;
}

TEST(DamagedFiles, CutsAreRefusedOrShowTheSamePicture) {
  const Folder folder;
  Chance chance;
  for (const auto& file : good_files(folder)) {
    const LoadOptions options{.dpi = 300, .way = ToneWay::codes};
    const auto whole = load(file, options);
    ASSERT_TRUE(whole) << whole.error().what;
    const std::string bytes = bytes_of(file);
    std::vector<std::size_t> places{0, 1, 4, 8, 16, bytes.size() - 1};
    for (int i = 0; i < cuts; ++i) places.push_back(chance.below(bytes.size()));
    int refused = 0;
    const auto cut = folder / ("cut" + file.extension().string());
    for (const std::size_t n : places) {
      put(cut, bytes.substr(0, n));
      const auto r = load(cut, options);
      if (!r) {
        EXPECT_NE(r.error().what.find("cut"), std::string::npos);
        ++refused;
        continue;
      }
      ASSERT_EQ(r->values.size(), whole->values.size()) << file << " cut at " << n;
      EXPECT_EQ(cv::norm(r->values, whole->values, cv::NORM_INF), 0) << file << " cut at " << n;
    }
    std::printf("%s: of %zu cuts %d refused, the rest the same picture\n",
                file.filename().c_str(),
                places.size(),
                refused);
  }
}

// A changed pixel of a TIFF or JPEG is another good pixel: neither carries a check sum. PNG does.
TEST(DamagedFiles, ChangedBytesNeverCrash) {
  const Folder folder;
  Chance chance;
  for (const auto& file : good_files(folder)) {
    const auto whole = load(file, {.dpi = 300, .max_megapixels = 30});
    ASSERT_TRUE(whole) << whole.error().what;
    int refused = 0, same = 0;
    const std::string bytes = bytes_of(file);
    const auto changed = folder / ("changed" + file.extension().string());
    // Half of the changes in the first 400 bytes and the last 400, where headers are.
    for (int i = 0; i < flips; ++i) {
      std::string b = bytes;
      std::size_t at = chance.below(b.size());
      if (i % 4 == 1) at = chance.below(std::min<std::size_t>(400, b.size()));
      if (i % 4 == 3) at = b.size() - 1 - chance.below(std::min<std::size_t>(400, b.size()));
      b[at] = static_cast<char>(chance.below(256));
      put(changed, b);
      const auto r = load(changed, {.dpi = 300, .max_megapixels = 30});
      EXPECT_TRUE(r || !r.error().next.empty());
      refused += !r;
      same += r && r->values.size() == whole->values.size() &&
              cv::norm(r->values, whole->values, cv::NORM_INF) == 0;
    }
    std::printf("%s: of %d changed bytes %d refused, %d the same picture, %d another\n",
                file.filename().c_str(),
                flips,
                refused,
                same,
                flips - refused - same);
    if (file.extension() == ".png") {
      EXPECT_EQ(flips - refused - same, 0) << file << ": PNG says itself that it was changed";
    }
  }
}

}  // namespace
}  // namespace rebite::scan

// Pixel layouts, bit for bit, against files written by libtiff, libpng and libjpeg.
#include <gtest/gtest.h>

#include <cstdint>
#include <cstring>
#include <vector>

#include "scan/pixel_source.h"
#include "tests/scan/made_files.h"

namespace rebite::scan {
namespace {

using made::Folder;
using made::Picture;

// All samples as the reader hands them over; empty and a failure when it refuses.
std::vector<int> samples_of(const std::filesystem::path& file, FileFacts* facts = nullptr) {
  auto source = open_scan(file, {});
  if (!source) {
    ADD_FAILURE() << source.error().what;
    return {};
  }
  const FileFacts f = (*source)->facts();
  if (facts) *facts = f;
  std::vector<int> all(static_cast<std::size_t>(f.width * f.height * f.channels), -1);
  const auto take = [&](const Block& b) {
    for (int y = 0; y < b.height; ++y) {
      for (int x = 0; x < b.width; ++x) {
        for (int k = 0; k < f.channels; ++k) {
          const auto at = y * b.row_stride + x * b.pixel_stride + k;
          const int v = f.bits == 8 ? static_cast<const std::uint8_t*>(b.samples)[at]
                                    : static_cast<const std::uint16_t*>(b.samples)[at];
          all[static_cast<std::size_t>(((b.y + y) * f.width + b.x + x) * f.channels + k)] = v;
        }
      }
    }
    return true;
  };
  if (auto r = (*source)->read(take); !r) {
    ADD_FAILURE() << r.error().what;
    return {};
  }
  return all;
}

std::vector<int> truth(const Picture& p) {
  std::vector<int> all;
  for (int y = 0; y < p.height; ++y) {
    for (int x = 0; x < p.width; ++x) {
      for (int k = 0; k < p.channels; ++k) all.push_back(p.sample(x, y, k));
    }
  }
  return all;
}

// 8/16 bits x grey/RGB x both byte orders x classic/Big x strips/tiles x contiguous/planar (RGB) or
// MinIsBlack/MinIsWhite (grey) x none/LZW/Deflate/PackBits = 256 files.
TEST(TiffLayout, EveryLayoutBitForBit) {
  const Folder folder;
  int files = 0;
  for (const int bits : {8, 16}) {
    for (const int channels : {1, 3}) {
      for (int mask = 0; mask < 16; ++mask) {
        for (const int compression : {1, 5, 8, 32773}) {
          Picture p;
          p.bits = bits;
          p.channels = channels;
          made::TiffLayout l;
          l.big_endian = mask & 1;
          l.big_tiff = mask & 2;
          l.tiles = mask & 4;
          l.planar = channels == 3 && (mask & 8);
          l.min_is_white = channels == 1 && (mask & 8);
          l.compression = compression;
          const auto file = folder / "layout.tif";
          write_tiff(file, p, l);
          FileFacts facts;
          const auto got = samples_of(file, &facts);
          ASSERT_EQ(got, truth(p)) << "bits " << bits << " channels " << channels << " mask "
                                   << mask << " compression " << compression;
          EXPECT_EQ(facts.bits, bits);
          EXPECT_EQ(facts.channels, channels);
          ++files;
        }
      }
    }
  }
  EXPECT_EQ(files, 256);
}

TEST(TiffLayout, PredictorOldDeflateAndOneBigStrip) {
  const Folder folder;
  Picture p;
  p.channels = 3;
  for (const int compression : {5, 8, 32946}) {
    made::TiffLayout l;
    l.compression = compression;
    l.predictor = 2;
    l.rows_per_strip = p.height;
    write_tiff(folder / "p.tif", p, l);
    EXPECT_EQ(samples_of(folder / "p.tif"), truth(p)) << compression;
  }
}

// A strip above 48 MiB is read row by row.
TEST(TiffLayout, VeryLargeStripIsReadRowByRow) {
  const Folder folder;
  Picture p;
  p.width = 5100;
  p.height = 1700;
  p.channels = 3;
  made::TiffLayout l;
  l.compression = 5;
  l.rows_per_strip = p.height;
  write_tiff(folder / "big.tif", p, l);
  EXPECT_TRUE(samples_of(folder / "big.tif") == truth(p));
}

TEST(TiffLayout, OpaqueAlphaIsDroppedAndHolesAreRefused) {
  const Folder folder;
  for (const int bits : {8, 16}) {
    for (const int channels : {1, 3}) {
      for (const bool planar : {false, true}) {
        Picture p;
        p.bits = bits;
        p.channels = channels;
        made::TiffLayout l;
        l.planar = planar;
        l.extra = 1;
        write_tiff(folder / "a.tif", p, l);
        EXPECT_EQ(samples_of(folder / "a.tif"), truth(p));
        l.extra = 2;
        write_tiff(folder / "hole.tif", p, l);
        auto source = open_scan(folder / "hole.tif", {});
        ASSERT_TRUE(source);
        const auto r = (*source)->read([](const Block&) { return true; });
        ASSERT_FALSE(r);
        EXPECT_NE(r.error().what.find("alpha"), std::string::npos);
      }
    }
  }
}

TEST(PngLayout, EveryLayoutBitForBit) {
  const Folder folder;
  for (const int bits : {8, 16}) {
    for (const int channels : {1, 3}) {
      for (const bool interlaced : {false, true}) {
        for (const int alpha : {0, 1}) {
          Picture p;
          p.bits = bits;
          p.channels = channels;
          made::PngLayout l;
          l.interlaced = interlaced;
          l.alpha = alpha;
          write_png(folder / "l.png", p, l);
          EXPECT_EQ(samples_of(folder / "l.png"), truth(p))
              << bits << ' ' << channels << ' ' << interlaced << ' ' << alpha;
        }
      }
    }
  }
}

TEST(JpegLayout, BaselineAndProgressiveAgreeWithTheRamp) {
  const Folder folder;
  for (const int channels : {1, 3}) {
    Picture p;
    p.bits = 8;
    p.channels = channels;
    made::JpegLayout l;
    write_jpeg(folder / "b.jpg", p, l);
    l.progressive = true;
    write_jpeg(folder / "p.jpg", p, l);
    const auto baseline = samples_of(folder / "b.jpg");
    EXPECT_EQ(baseline, samples_of(folder / "p.jpg"));
    for (int y = 0; y < p.height; ++y) {
      for (int x = 0; x < p.width; ++x) {
        const int wanted = x * 200 / p.width + y * 50 / p.height;
        const int got = baseline[static_cast<std::size_t>((y * p.width + x) * channels)];
        EXPECT_NEAR(got, wanted, 4);
      }
    }
  }
}

}  // namespace
}  // namespace rebite::scan

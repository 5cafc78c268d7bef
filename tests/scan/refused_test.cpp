// Layouts and files that are refused: each names the file, the cause and the cure.
#include <gmock/gmock.h>
#include <gtest/gtest.h>
#include <sys/stat.h>

#include <chrono>
#include <cstring>
#include <fstream>
#include <stop_token>

#include "scan/read_scan.h"
#include "tests/scan/made_files.h"

namespace rebite::scan {
namespace {

using made::Folder;
using testing::HasSubstr;

Problem refusal(const std::filesystem::path& file) {
  const auto start = std::chrono::steady_clock::now();
  auto r = read_scan(file, {.dpi = 300});
  const std::chrono::duration<double> took = std::chrono::steady_clock::now() - start;
  EXPECT_LT(took.count(), 2.0) << file;
  if (r) {
    ADD_FAILURE() << file << " was read";
    return {};
  }
  EXPECT_THAT(r.error().what, HasSubstr(file.filename().string()));
  EXPECT_FALSE(r.error().next.empty());
  return r.error();
}

void write_text(const std::filesystem::path& file, const std::string& text) {
  std::ofstream(file, std::ios::binary) << text;
}

struct OddCase {
  made::OddTiff tiff;
  const char* says;
};

class OddTiffs : public testing::TestWithParam<OddCase> {};

TEST_P(OddTiffs, IsRefusedByName) {
  const Folder folder;
  write_odd_tiff(folder / "odd.tif", GetParam().tiff);
  const Problem p = refusal(folder / "odd.tif");
  EXPECT_EQ(p.kind, ProblemKind::data);
  EXPECT_THAT(p.what, HasSubstr(GetParam().says));
}

INSTANTIATE_TEST_SUITE_P(
    Layouts,
    OddTiffs,
    testing::Values(OddCase{{.photometric = 5, .bits = 8, .samples = 4}, "CMYK"},
                    OddCase{{.photometric = 5, .bits = 16, .samples = 4}, "CMYK"},
                    OddCase{{.photometric = 8, .bits = 8, .samples = 3}, "Lab"},
                    OddCase{{.photometric = 9, .bits = 16, .samples = 3}, "Lab"},
                    OddCase{{.photometric = 3, .bits = 8}, "palette"},
                    OddCase{{.photometric = 1, .bits = 1}, "1 bit"},
                    OddCase{{.photometric = 1, .bits = 2}, "2 bits"},
                    OddCase{{.photometric = 1, .bits = 4}, "4 bits"},
                    OddCase{{.photometric = 1, .bits = 12}, "12 bits"},
                    OddCase{{.photometric = 1, .bits = 32}, "32 bits"},
                    OddCase{{.photometric = 1, .bits = 32, .sample_format = 3}, "floating-point"},
                    OddCase{{.photometric = 1, .bits = 16, .sample_format = 3}, "floating-point"},
                    OddCase{{.photometric = 1, .bits = 64, .sample_format = 3}, "floating-point"},
                    OddCase{{.photometric = 1, .bits = 16, .sample_format = 2}, "signed"},
                    OddCase{{.photometric = 1, .bits = 8, .sample_format = 2}, "signed"},
                    OddCase{{.photometric = 6, .bits = 8, .samples = 3, .subsampling = 1}, "YCbCr"},
                    OddCase{{.photometric = 2, .bits = 8, .samples = 1}, "contradict"},
                    OddCase{{.photometric = 1, .bits = 8, .samples = 3}, "contradict"},
                    OddCase{{.photometric = 2, .bits = 16, .samples = 6}, "contradict"},
                    OddCase{{.photometric = 1, .bits = 8, .compression = 7}, "JPEG inside TIFF"}));

TEST(Refused, AFolderIsNotAReadableFile) {
  const Folder folder;
  std::filesystem::create_directory(folder / "scans");
  EXPECT_EQ(refusal(folder / "scans").kind, ProblemKind::no_input);  // exit code 66
}

// Ctrl-C is nobody's mistake: neither the command nor the file is blamed.
TEST(Refused, AStoppedReadingIsToldAsOne) {
  const Folder folder;
  made::write_tiff(folder / "good.tif", {}, {});
  std::stop_source stop;
  stop.request_stop();
  const auto r = read_scan(folder / "good.tif", {.dpi = 300}, {nullptr, stop.get_token()});
  ASSERT_FALSE(r);
  EXPECT_EQ(r.error().kind, ProblemKind::stopped);
}

TEST(Refused, SeveralPagesWithTheirNumber) {
  const Folder folder;
  made::TiffLayout l;
  l.pages = 3;
  write_tiff(folder / "pages.tif", {}, l);
  EXPECT_THAT(refusal(folder / "pages.tif").what, HasSubstr("3 pages"));
}

TEST(Refused, PngPaletteSmallBitsAndHoles) {
  const Folder folder;
  made::Picture grey;
  grey.bits = 8;
  write_png(folder / "palette.png", grey, {.palette = true});
  EXPECT_THAT(refusal(folder / "palette.png").what, HasSubstr("palette"));
  for (const int bits : {1, 2, 4}) {
    write_png(folder / "small.png", grey, {.small_bits = bits});
    EXPECT_THAT(refusal(folder / "small.png").what, HasSubstr(std::to_string(bits) + " bit"));
  }
  write_png(folder / "hole.png", grey, {.alpha = 2});
  EXPECT_THAT(refusal(folder / "hole.png").what, HasSubstr("alpha"));
}

// Found by fuzzing: for an EXIF chunk that says it is 1.3 GB long, libpng asked for as much memory.
TEST(Refused, PngPartsLongerThanTheFile) {
  const Folder folder;
  made::Picture grey;
  grey.bits = 8;
  write_png(folder / "good.png", grey, {});
  std::ifstream in(folder / "good.png", std::ios::binary);
  std::string bytes{std::istreambuf_iterator<char>(in), {}};
  ASSERT_TRUE(read_scan(folder / "good.png", {.dpi = 300}));
  const std::size_t after_ihdr = 8 + 12 + 13;
  bytes.insert(after_ihdr, std::string("\x4f\x00\x00\x22", 4) + "eXIf" + std::string(40, 'x'));
  std::ofstream(folder / "long.png", std::ios::binary) << bytes;
  EXPECT_THAT(refusal(folder / "long.png").what, HasSubstr("a part is longer than the file"));
}

TEST(Refused, JpegCmyk) {
  const Folder folder;
  made::Picture p;
  p.bits = 8;
  write_jpeg(folder / "inks.jpg", p, {.cmyk = true});
  EXPECT_THAT(refusal(folder / "inks.jpg").what, HasSubstr("CMYK"));
}

TEST(Refused, ThingsThatAreNoPictures) {
  const Folder folder;
  const auto says = [&](const char* name, const std::string& bytes, const char* what) {
    write_text(folder / name, bytes);
    EXPECT_THAT(refusal(folder / name).what, HasSubstr(what)) << name;
  };
  says("text.tif", "This is my shopping list.\n", "text");
  says("empty.tif", "", "empty");
  says("one.tif", "I", "text");
  says("paper.tif", "%PDF-1.7 ...", "PDF");
  says("new.tif", std::string("\0\0\0\x0cjP  \r\n", 10), "JPEG 2000");
  says("web.tif", "RIFF1234WEBPVP8 ", "WebP");
  says("phone.jpg",
       std::string("\0\0\0\x18"
                   "ftypheic",
                   12),
       "HEIC");
  says("head.tif", std::string("II*\0", 4), "damaged");
  says("head.png", "\x89PNG\r\n\x1a\n", "damaged");
  says("head.jpg", "\xff\xd8\xff", "damaged");
}

TEST(Refused, MissingFolderAndPipeAtOnce) {
  const Folder folder;
  EXPECT_EQ(refusal(folder / "none.tif").kind, ProblemKind::no_input);
  std::filesystem::create_directory(folder / "dir.tif");
  EXPECT_THAT(refusal(folder / "dir.tif").what, HasSubstr("folder"));
  ASSERT_EQ(::mkfifo((folder / "pipe.tif").c_str(), 0600), 0);
  EXPECT_THAT(refusal(folder / "pipe.tif").what, HasSubstr("pipe"));
  EXPECT_FALSE(read_scan("/dev/null", {}));
}

// A header of a few bytes must not make the program allocate gigabytes or work for minutes.
TEST(Refused, BombsBeforeAnythingIsAllocated) {
  const Folder folder;
  made::Picture p;
  p.bits = 8;
  made::TiffLayout l;
  l.compression = 8;
  for (const auto& [w, h] : {std::pair{60000, 60000}, std::pair{15000, 15000}}) {
    // A good small file whose size tags are then overwritten.
    write_tiff(folder / "small.tif", p, l);
    std::ifstream in(folder / "small.tif", std::ios::binary);
    std::string bytes{std::istreambuf_iterator<char>(in), {}};
    const auto patch = [&bytes](std::uint16_t tag, std::uint32_t value) {
      for (std::size_t i = 8; i + 12 <= bytes.size(); ++i) {
        std::uint16_t t = 0, type = 0;
        std::uint32_t count = 0;
        std::memcpy(&t, &bytes[i], 2);
        std::memcpy(&type, &bytes[i + 2], 2);
        std::memcpy(&count, &bytes[i + 4], 4);
        if (t != tag || count != 1 || (type != 3 && type != 4)) continue;
        const std::uint16_t long_type = 4;
        std::memcpy(&bytes[i + 2], &long_type, 2);
        std::memcpy(&bytes[i + 8], &value, 4);
        return;
      }
      FAIL() << "tag not found " << tag;
    };
    patch(256, static_cast<std::uint32_t>(w));
    patch(257, static_cast<std::uint32_t>(h));
    write_text(folder / "bomb.tif", bytes);
    refusal(folder / "bomb.tif");
  }
  made::TiffLayout cut;
  write_tiff(folder / "cut.tif", p, cut);
  std::filesystem::resize_file(folder / "cut.tif",
                               std::filesystem::file_size(folder / "cut.tif") / 2);
  refusal(folder / "cut.tif");
}

TEST(Refused, MegapixelLimitSaysBothNumbers) {
  const Folder folder;
  made::Picture p;
  p.width = 400;
  p.height = 300;
  write_tiff(folder / "wide.tif", p, {});
  auto r = read_scan(folder / "wide.tif", {.max_megapixels = 0.1});
  ASSERT_FALSE(r);
  EXPECT_THAT(r.error().what, HasSubstr("400 x 300"));
  EXPECT_THAT(r.error().what, HasSubstr("limit of 0"));
}

}  // namespace
}  // namespace rebite::scan

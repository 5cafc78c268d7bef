// Resolution and orientation of all three formats.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <cmath>
#include <fstream>
#include <iterator>
#include <ostream>

#include "scan/exif.h"
#include "scan/load.h"
#include "scan/read_scan.h"
#include "tests/scan/made_files.h"

namespace rebite::scan {
namespace {

using made::Folder;
using made::Picture;
using testing::HasSubstr;

std::string all(const Notes& notes) {
  std::string text;
  for (const auto& n : notes) text += n + "\n";
  return text;
}

// Where the upright picture shows the stored pixel (column, row): TIFF 6.0, tag 274 in words.
cv::Point upright(int orientation, int c, int r, int w, int h) {
  switch (orientation) {
    case 2:
      return {w - 1 - c, r};
    case 3:
      return {w - 1 - c, h - 1 - r};
    case 4:
      return {c, h - 1 - r};
    case 5:
      return {r, c};
    case 6:
      return {h - 1 - r, c};
    case 7:
      return {h - 1 - r, w - 1 - c};
    case 8:
      return {r, w - 1 - c};
    default:
      return {c, r};
  }
}

void expect_turned(const Loaded& turned, const Loaded& plain, int o) {
  const int w = plain.values.cols, h = plain.values.rows;
  ASSERT_EQ(turned.values.cols, o >= 5 ? h : w);
  ASSERT_EQ(turned.values.rows, o >= 5 ? w : h);
  EXPECT_EQ(turned.info.orientation, o);
  EXPECT_EQ(turned.info.width_px, turned.values.cols);
  for (int r = 0; r < h; ++r) {
    for (int c = 0; c < w; ++c) {
      ASSERT_EQ(turned.values(upright(o, c, r, w, h)), plain.values(r, c))
          << "orientation " << o << " at " << c << ',' << r;
    }
  }
}

TEST(Orientation, AllEightInEveryFormatAndLayout) {
  const Folder folder;
  const LoadOptions options{.dpi = 300, .way = ToneWay::codes};
  for (int o = 1; o <= 8; ++o) {
    Picture p;
    p.channels = 3;
    for (const bool tiles : {false, true}) {
      made::TiffLayout l;
      l.tiles = tiles;
      write_tiff(folder / "plain.tif", p, l);
      l.orientation = o;
      write_tiff(folder / "turned.tif", p, l);
      expect_turned(*load(folder / "turned.tif", options), *load(folder / "plain.tif", options), o);
    }
    write_png(folder / "plain.png", p, {});
    write_png(folder / "turned.png", p, {.exif_orientation = o});
    expect_turned(*load(folder / "turned.png", options), *load(folder / "plain.png", options), o);
    p.bits = 8;
    write_jpeg(folder / "plain.jpg", p, {});
    write_jpeg(folder / "turned.jpg", p, {.exif_orientation = o});
    expect_turned(*load(folder / "turned.jpg", options), *load(folder / "plain.jpg", options), o);
  }
}

TEST(Orientation, TurnsTheResolutionToo) {
  const Folder folder;
  made::TiffLayout l;
  l.dpi_x = 300;
  l.dpi_y = 600;
  l.orientation = 6;
  write_tiff(folder / "t.tif", {}, l);
  const auto info = read_scan_info(folder / "t.tif");
  ASSERT_TRUE(info);
  EXPECT_NEAR(info->x->dpi(), 600, 1e-3);
  EXPECT_NEAR(info->y->dpi(), 300, 1e-3);
}

std::string bytes_of_tiff(const std::filesystem::path& file, const made::TiffLayout& layout) {
  write_tiff(file, {}, layout);
  std::ifstream in(file, std::ios::binary);
  return {std::istreambuf_iterator<char>(in), {}};
}

TEST(Orientation, OutsideOneToEightIsTakenAsStored) {
  const Folder folder;
  made::TiffLayout l;
  l.orientation = 1;
  std::string bytes = bytes_of_tiff(folder / "t.tif", l);
  // Tag 274, a short, one of it (TIFF 6.0, section 2); libtiff does not write another value than 1
  // to 8.
  using namespace std::string_view_literals;
  const auto entry = bytes.find("\x12\x01\x03\x00\x01\x00\x00\x00\x01"sv);
  ASSERT_NE(entry, std::string::npos);
  for (const char value : {'\0', '\x9'}) {
    bytes[entry + 8] = value;
    std::ofstream(folder / "odd.tif", std::ios::binary) << bytes;
    const auto r = load(folder / "odd.tif", {});
    ASSERT_TRUE(r) << r.error().what;
    EXPECT_EQ(r->info.orientation, 1);
    EXPECT_THAT(r->notes, testing::Contains(testing::HasSubstr("Orientation")));
  }
}

// The first tag that costs no pixel must not hide the next.
TEST(Orientation, ABadUnitBesideItIsReadWithANoteToo) {
  const Folder folder;
  made::TiffLayout l;
  l.orientation = 1;
  l.dpi_x = l.dpi_y = 300;
  l.unit = 2;
  std::string bytes = bytes_of_tiff(folder / "t.tif", l);
  using namespace std::string_view_literals;
  // Tags 274 and 296, shorts, one of each (TIFF 6.0, section 2).
  const auto unit = bytes.find("\x28\x01\x03\x00\x01\x00\x00\x00\x02"sv);
  const auto turn = bytes.find("\x12\x01\x03\x00\x01\x00\x00\x00\x01"sv);
  ASSERT_NE(unit, std::string::npos);
  ASSERT_NE(turn, std::string::npos);
  for (const bool both : {false, true}) {
    bytes[unit + 8] = '\x9';
    if (both) bytes[turn + 8] = '\x9';
    std::ofstream(folder / "odd.tif", std::ios::binary) << bytes;
    const auto r = load(folder / "odd.tif", {.dpi = 300});
    ASSERT_TRUE(r) << both << r.error().what;
    EXPECT_THAT(r->notes, testing::Contains(testing::HasSubstr("was left out"))) << both;
  }
}

struct DpiCase {
  double x, y;
  int unit;
  double user;
  double want_x, want_y;  // 0: refused
  const char* note;
};
// (gtest would print the bytes between the members too, which nobody has set: valgrind says so.)
void PrintTo(const DpiCase& c, std::ostream* out) { *out << c.x << " x " << c.y << ": " << c.note; }

class TiffResolution : public testing::TestWithParam<DpiCase> {};

TEST_P(TiffResolution, IsUsedAskedForOrRefused) {
  const DpiCase& c = GetParam();
  const Folder folder;
  made::TiffLayout l;
  l.dpi_x = c.x;
  l.dpi_y = c.y;
  l.unit = c.unit;
  write_tiff(folder / "dpi.tif", {}, l);
  const auto r = load(folder / "dpi.tif", {.dpi = c.user});
  if (c.want_x == 0) {
    ASSERT_FALSE(r);
    EXPECT_EQ(r.error().kind, ProblemKind::data);
    EXPECT_THAT(r.error().what, HasSubstr("dpi.tif"));
    EXPECT_THAT(r.error().next, HasSubstr("--dpi"));
    const auto without = load(folder / "dpi.tif", {.resolution_needed = false});
    ASSERT_TRUE(without);
    EXPECT_FALSE(without->info.x);
    return;
  }
  ASSERT_TRUE(r) << r.error().what;
  EXPECT_NEAR(r->info.x->dpi(), c.want_x, 0.01);
  EXPECT_NEAR(r->info.y->dpi(), c.want_y, 0.01);
  EXPECT_THAT(all(r->notes), HasSubstr(c.note));
}

INSTANTIATE_TEST_SUITE_P(Cases,
                         TiffResolution,
                         testing::Values(DpiCase{300, 300, 2, 0, 300, 300, ""},
                                         DpiCase{300, 600, 2, 0, 300, 600, "differs"},
                                         DpiCase{118.11, 118.11, 3, 0, 300, 300, ""},
                                         DpiCase{0, 0, 2, 0, 0, 0, ""},
                                         DpiCase{0, 0, 2, 400, 400, 400, ""},
                                         DpiCase{0, 300, 2, 0, 0, 0, ""},
                                         DpiCase{300, 300, 1, 0, 0, 0, ""},
                                         DpiCase{300, 300, 1, 600, 600, 600, "no unit"},
                                         DpiCase{5, 5, 2, 0, 0, 0, ""},
                                         DpiCase{1e9, 1e9, 2, 0, 0, 0, ""},
                                         DpiCase{1e9, 1e9, 2, 300, 300, 300, "cannot be true"},
                                         DpiCase{72, 72, 2, 0, 72, 72, "--dpi"},
                                         DpiCase{96, 96, 2, 0, 96, 96, "--dpi"},
                                         DpiCase{72, 72, 2, 300, 300, 300, ""},
                                         DpiCase{
                                             300, 300, 2, 600, 300, 300, "the file is followed"}));

TEST(Resolution, OddNumbersInTheTag) {
  FileFacts f;
  f.dpi_x = std::nan("");
  f.dpi_y = 300;
  EXPECT_EQ(resolution_of(f, 0).x, 0);
  f.dpi_x = -300;
  EXPECT_EQ(resolution_of(f, 0).x, 0);
  f.dpi_x = INFINITY;
  EXPECT_EQ(resolution_of(f, 0).x, 0);
  EXPECT_EQ(resolution_of(f, 250).y, 250);
}

TEST(Resolution, UserDpiOutsideSenseIsAUsageError) {
  const Folder folder;
  made::write_tiff(folder / "t.tif", {}, {});
  for (const double dpi : {-1.0, 3.0, 1e6, std::nan("")}) {
    const auto r = load(folder / "t.tif", {.dpi = dpi});
    ASSERT_FALSE(r) << dpi;
    EXPECT_EQ(r.error().kind, ProblemKind::usage);
  }
}

TEST(Resolution, PngAndJpeg) {
  const Folder folder;
  Picture p;
  p.bits = 8;
  write_png(folder / "a.png", p, {.dpi = 400});
  EXPECT_NEAR(read_scan_info(folder / "a.png")->x->dpi(), 400, 0.02);
  write_png(folder / "b.png", p, {.dpi = 0});
  EXPECT_FALSE(read_scan_info(folder / "b.png")->x);
  write_jpeg(folder / "a.jpg", p, {.density_unit = 1, .density = 600});
  EXPECT_NEAR(read_scan_info(folder / "a.jpg")->x->dpi(), 600, 1e-9);
  write_jpeg(folder / "b.jpg", p, {.density_unit = 2, .density = 118});
  EXPECT_NEAR(read_scan_info(folder / "b.jpg")->x->dpi(), 299.72, 1e-9);
  write_jpeg(folder / "c.jpg", p, {.density_unit = 0, .density = 1});
  EXPECT_FALSE(read_scan_info(folder / "c.jpg")->x);
  write_jpeg(folder / "d.jpg", p, {.jfif = false, .exif_dpi = 350});
  EXPECT_NEAR(read_scan_info(folder / "d.jpg")->x->dpi(), 350, 1e-9);
}

TEST(Exif, CutAnywhereIsHarmless) {
  const std::string whole = made::exif_block(6, 350);
  const auto facts = read_exif(whole);
  ASSERT_TRUE(facts);
  EXPECT_EQ(facts->orientation, 6);
  EXPECT_EQ(facts->dpi_x, 350);
  for (std::size_t n = 0; n < whole.size(); ++n) {
    read_exif(std::string_view(whole).substr(0, n));  // sanitizers look on
  }
  std::string far = whole;
  far[4] = far[5] = far[6] = far[7] = '\xff';
  EXPECT_FALSE(read_exif(far));
}

TEST(Notes, JpegEightBitsAndWhatToSwitchOff) {
  const Folder folder;
  Picture p;
  p.bits = 8;
  write_jpeg(folder / "a.jpg", p, {});
  EXPECT_THAT(all(load(folder / "a.jpg", {})->notes), HasSubstr("JPEG is lossy"));
  write_tiff(folder / "a.tif", p, {});
  EXPECT_THAT(all(load(folder / "a.tif", {})->notes), HasSubstr("8 bits"));
  EXPECT_THAT(all(load(folder / "a.tif", {})->notes), HasSubstr("sRGB"));
}

TEST(Notes, ClippingCombsAndStretchedEightBits) {
  CodeCensus census(8, 1);
  std::vector<std::uint8_t> row(40000);
  // Stretched: of the codes 20..220 every fourth is empty; 2 % white, 1 % black.
  for (std::size_t i = 0; i < row.size(); ++i) {
    const int code = 20 + static_cast<int>(i * 7919 % 200);
    row[i] = static_cast<std::uint8_t>(code % 4 == 0 ? code + 1 : code);
    if (i % 50 == 0) row[i] = 255;
    if (i % 100 == 1) row[i] = 0;
  }
  census.take({0, 0, 40000, 1, row.data(), 40000, 1});
  EXPECT_NEAR(census.clipped_high(), 0.02, 1e-9);
  EXPECT_NEAR(census.clipped_low(), 0.01, 1e-9);
  EXPECT_GT(census.empty_codes(), 0.15);
  const std::string text = all(census.notes(false));
  EXPECT_THAT(text, HasSubstr("Highlights are clipped: 2.0 %"));
  EXPECT_THAT(text, HasSubstr("Shadows are clipped: 1.0 %"));
  EXPECT_THAT(text, HasSubstr("automatic contrast"));

  CodeCensus wide(16, 1), honest(16, 1);
  std::vector<std::uint16_t> sixteen(40000), noisy(40000);
  for (std::size_t i = 0; i < sixteen.size(); ++i) {
    sixteen[i] = static_cast<std::uint16_t>(257 * (i * 7919 % 200));
    noisy[i] = static_cast<std::uint16_t>(i * 7919 % 60000 + 1000);
  }
  wide.take({0, 0, 40000, 1, sixteen.data(), 40000, 1});
  honest.take({0, 0, 40000, 1, noisy.data(), 40000, 1});
  EXPECT_TRUE(wide.stretched_from_8_bits());
  EXPECT_FALSE(honest.stretched_from_8_bits());
  EXPECT_TRUE(honest.notes(false).empty());
}

}  // namespace
}  // namespace rebite::scan

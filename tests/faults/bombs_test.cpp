// Files of a few bytes that ask for gigabytes or for minutes: table 4.2 "bombs". Each through the
// built program: refused by name or read, within a second of its own time and 300 MiB.
#include <gtest/gtest.h>
#include <zlib.h>

#include <cstdint>
#include <functional>
#include <map>

#include "tests/faults/child.h"
#include "tests/scan/made_files.h"

namespace rebite::faults {
namespace {

std::string le(std::uint64_t value, int bytes) {
  std::string out;
  for (int i = 0; i < bytes; ++i) out += static_cast<char>((value >> (8 * i)) & 0xff);
  return out;
}
std::string be(std::uint32_t value) {
  const std::string turned = le(value, 4);
  return {turned.rbegin(), turned.rend()};
}

struct Entry {
  std::uint16_t tag, type;  // 3 SHORT, 4 LONG, 7 bytes
  std::uint32_t count, value;
};

// Grey, 8 bits, `more` instead of or beside the usual tags; strips start at byte 8.
std::string directory(std::uint32_t w,
                      std::uint32_t h,
                      std::uint32_t compression,
                      std::uint32_t rows_per_strip,
                      std::uint32_t strip_bytes,
                      const std::vector<Entry>& more,
                      std::uint32_t next) {
  std::map<std::uint16_t, Entry> all;
  for (const Entry& e : {Entry{256, 4, 1, w},
                         Entry{257, 4, 1, h},
                         Entry{258, 3, 1, 8},
                         Entry{259, 3, 1, compression},
                         Entry{262, 3, 1, 1},
                         Entry{273, 4, 1, 8},
                         Entry{277, 3, 1, 1},
                         Entry{278, 4, 1, rows_per_strip},
                         Entry{279, 4, 1, strip_bytes}}) {
    all[e.tag] = e;
  }
  for (const Entry& e : more) all[e.tag] = e;
  std::string out = le(all.size(), 2);
  for (const auto& [tag, e] : all)
    out += le(tag, 2) + le(e.type, 2) + le(e.count, 4) + le(e.value, 4);
  return out + le(next, 4);
}

// Header, the strips' bytes, one directory.
std::string tiff(std::uint32_t w,
                 std::uint32_t h,
                 std::uint32_t compression,
                 std::uint32_t rows_per_strip,
                 const std::string& strip,
                 const std::vector<Entry>& more = {},
                 const std::string& after = "") {
  const auto at = static_cast<std::uint32_t>(8 + strip.size());
  return std::string("II*\0", 4) + le(at, 4) + strip +
         directory(
             w, h, compression, rows_per_strip, static_cast<std::uint32_t>(strip.size()), more, 0) +
         after;
}

std::string deflated_zeros(std::size_t n) {
  std::string out;
  z_stream z{};
  deflateInit(&z, 9);
  std::string zeros(std::size_t{1} << 20, '\0'), part(std::size_t{1} << 16, '\0');
  int done = Z_OK;
  for (std::size_t left = n; done != Z_STREAM_END;) {
    if (z.avail_in == 0 && left > 0) {
      const std::size_t now = std::min(left, zeros.size());
      z.next_in = reinterpret_cast<Bytef*>(zeros.data());
      z.avail_in = static_cast<uInt>(now);
      left -= now;
    }
    z.next_out = reinterpret_cast<Bytef*>(part.data());
    z.avail_out = static_cast<uInt>(part.size());
    done = deflate(&z, left == 0 ? Z_FINISH : Z_NO_FLUSH);
    out.append(part.data(), part.size() - z.avail_out);
  }
  deflateEnd(&z);
  return out;
}

std::string chunk(const std::string& name, const std::string& content) {
  const std::string body = name + content;
  const auto sum =
      ::crc32(0, reinterpret_cast<const Bytef*>(body.data()), static_cast<uInt>(body.size()));
  return be(static_cast<std::uint32_t>(content.size())) + body +
         be(static_cast<std::uint32_t>(sum));
}
std::string png(std::uint32_t w,
                std::uint32_t h,
                const std::string& before,
                const std::string& data) {
  return "\x89PNG\r\n\x1a\n" + chunk("IHDR", be(w) + be(h) + std::string("\x08\0\0\0\0", 5)) +
         before + chunk("IDAT", data) + chunk("IEND", "");
}

// A progressive JPEG whose scans after the first are given `times` times over, of a picture said to
// be `side` pixels wide and high.
std::string jpeg_of_scans(const WorkFolder& work, int times, std::uint16_t side) {
  scan::made::Picture p;
  p.bits = 8;
  p.width = p.height = 64;
  write_jpeg(work / "small.jpg", p, {.progressive = true});
  std::string bytes = read_all(work / "small.jpg");
  const auto sof = bytes.find("\xff\xc2");
  EXPECT_NE(sof, std::string::npos);
  for (const std::size_t at : {sof + 5, sof + 7}) {
    bytes[at] = static_cast<char>(side >> 8);
    bytes[at + 1] = static_cast<char>(side & 0xff);
  }
  const auto first = bytes.find("\xff\xda");
  const auto second = bytes.find("\xff\xda", first + 2);
  EXPECT_NE(second, std::string::npos);
  const std::string scans = bytes.substr(second, bytes.size() - 2 - second);
  std::string out = bytes.substr(0, second);
  for (int i = 0; i < times; ++i) out += scans;
  return out + "\xff\xd9";
}

std::string many_directories(std::uint32_t n) {
  std::string out = std::string("II*\0", 4) + le(16, 4) + std::string(8, '\x55');
  for (std::uint32_t k = 1; k <= n; ++k) {
    const std::size_t length = directory(4, 2, 1, 2, 8, {}, 0).size();
    const auto next = static_cast<std::uint32_t>(out.size() + length);
    out += directory(4, 2, 1, 2, 8, {}, k < n ? next : 0);
  }
  return out;
}

std::string loop_of_directories() {
  const std::string strip(8, '\x55');
  std::string out = std::string("II*\0", 4) + le(16, 4) + strip;
  return out + directory(4, 2, 1, 2, 8, {}, 16);
}

// 1 pixel wide, a million high, a strip for every pixel: all of them the same byte.
std::string million_strips(bool arrays_are_there) {
  constexpr std::uint32_t n = 1000000;
  const std::string strip = "x";
  const auto offsets =
      static_cast<std::uint32_t>(8 + strip.size() + directory(1, n, 1, 1, 1, {}, 0).size());
  std::string arrays;
  if (arrays_are_there) {
    for (std::uint32_t i = 0; i < n; ++i) arrays += le(8, 4);
    for (std::uint32_t i = 0; i < n; ++i) arrays += le(1, 4);
  }
  return tiff(1, n, 1, 1, strip, {{273, 4, n, offsets}, {279, 4, n, offsets + 4 * n}}, arrays);
}

struct Bomb {
  std::string name, ending;
  std::function<std::string(const WorkFolder&)> bytes;
};
void PrintTo(const Bomb& b, std::ostream* out) { *out << b.name; }

class Bombs : public testing::TestWithParam<Bomb> {};

TEST_P(Bombs, AreRefusedByNameWithinASecondAnd300MiB) {
  const WorkFolder work;
  const std::string name = "bomb" + GetParam().ending;
  put(work / name, GetParam().bytes(work));
  const auto ended = run_program({"read", (work / name).string(), "--at", "1,1,1", "--dpi", "300"},
                                 {.give_up = std::chrono::seconds(30)});
  EXPECT_FALSE(ended.hung);
  EXPECT_EQ(ended.signal, 0);
  EXPECT_LT(ended.peak_kib, 300 * 1024);
  // Of its own time: beside other tests it waits for a processor.
  EXPECT_LT(ended.own_seconds, 1.0);
  EXPECT_TRUE(ended.code == 65 || ended.code == 64) << ended.code << ended.err << ended.out;
  EXPECT_NE(ended.err.find(name), std::string::npos) << ended.err;
}

INSTANTIATE_TEST_SUITE_P(
    Files,
    Bombs,
    testing::Values(
        Bomb{"tiff_60000_by_60000",
             ".tif",
             [](auto&) { return tiff(60000, 60000, 8, 60000, deflated_zeros(1000)); }},
        Bomb{"tiff_one_strip_of_144_megabytes",
             ".tif",
             [](auto&) { return tiff(12000, 12000, 1, 12000, std::string(10, 'x')); }},
        Bomb{"tiff_lzw_of_nothing",
             ".tif",
             [](auto&) { return tiff(14000, 14000, 5, 14000, std::string(3, '\0')); }},
        Bomb{"tiff_a_million_strips_that_are_not_there",
             ".tif",
             [](auto&) { return million_strips(false); }},
        Bomb{"tiff_a_million_strips_of_one_byte",
             ".tif",
             [](auto&) { return million_strips(true); }},
        Bomb{"tiff_a_hundred_thousand_pages",
             ".tif",
             [](auto&) { return many_directories(100000); }},
        Bomb{"tiff_pages_in_a_circle", ".tif", [](auto&) { return loop_of_directories(); }},
        Bomb{"tiff_a_strip_that_swells_a_thousandfold",
             ".tif",
             [](auto&) { return tiff(4, 4, 8, 4, deflated_zeros(std::size_t{400} << 20)); }},
        Bomb{"tiff_a_profile_of_a_gigabyte",
             ".tif",
             [](auto&) {
               return tiff(4, 4, 1, 4, std::string(16, 'x'), {{34675, 7, 1000000000, 8}});
             }},
        Bomb{"png_60000_by_60000",
             ".png",
             [](auto&) { return png(60000, 60000, "", deflated_zeros(1000)); }},
        Bomb{"png_20000_by_20000_of_zeros",
             ".png",
             [](auto&) {
               return png(20000, 20000, "", deflated_zeros(std::size_t{20001} * 20000));
             }},
        Bomb{"png_that_goes_on_in_zeros",
             ".png",
             [](auto&) {  // a copy that broke off on a disk that fills up with zeros
               const std::string whole = png(60, 60, "", deflated_zeros(61 * 60));
               return whole.substr(0, 33) + std::string(std::size_t{200} << 20U, '\0');
             }},
        Bomb{"png_text_that_swells",
             ".png",
             [](auto&) {
               return png(
                   4,
                   4,
                   chunk("zTXt",
                         std::string("note\0\0", 6) + deflated_zeros(std::size_t{200} << 20)),
                   std::string("short", 5));
             }},
        Bomb{"png_profile_that_swells",
             ".png",
             [](auto&) {
               return png(
                   4,
                   4,
                   chunk("iCCP",
                         std::string("prof\0\0", 6) + deflated_zeros(std::size_t{200} << 20)),
                   std::string("short", 5));
             }},
        Bomb{"jpeg_65000_by_65000",
             ".jpg",
             [](const WorkFolder& work) { return jpeg_of_scans(work, 1, 65000); }},
        Bomb{"jpeg_of_ten_thousand_scans",
             ".jpg",
             [](const WorkFolder& work) { return jpeg_of_scans(work, 1250, 4000); }}),
    [](const auto& test) { return test.param.name; });

}  // namespace
}  // namespace rebite::faults

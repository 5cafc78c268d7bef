#include <fcntl.h>
#include <fmt/format.h>
#include <sys/stat.h>
#include <unistd.h>

#include <array>
#include <cerrno>
#include <cstring>
#include <string_view>
#include <utility>

#include "files/files.h"
#include "scan/pixel_source.h"

namespace rebite::scan {
namespace {

// What the first bytes of a file say, for those that are not read here.
struct Foreign {
  std::string_view bytes;
  std::size_t at;
  std::string_view what;
};
using namespace std::string_view_literals;
constexpr Foreign foreign[] = {
    {"%PDF"sv, 0, "a PDF document"},
    {"\0\0\0\x0cjP  "sv, 0, "a JPEG 2000 picture"},
    {"\xff\x4f\xff\x51"sv, 0, "a JPEG 2000 picture"},
    {"WEBP"sv, 8, "a WebP picture"},
    {"ftyphei"sv, 4, "a HEIC picture"},
    {"ftypmif1"sv, 4, "a HEIC picture"},
    {"ftypavif"sv, 4, "an AVIF picture"},
    {"GIF8"sv, 0, "a GIF picture"},
    {"BM"sv, 0, "a BMP picture"},
    {"8BPS"sv, 0, "a layered picture of an image editor"},
    {"PK\x03\x04"sv, 0, "a ZIP archive"},
    {"\x1f\x8b"sv, 0, "a gzip archive"},
};

bool starts(std::string_view head, std::string_view magic, std::size_t at = 0) {
  return head.size() >= at + magic.size() && head.substr(at, magic.size()) == magic;
}

std::string what_it_is(std::string_view head) {
  for (const Foreign& f : foreign) {
    if (starts(head, f.bytes, f.at)) return std::string(f.what);
  }
  for (const char c : head) {
    const auto u = static_cast<unsigned char>(c);
    if (u == 0 || (u < 0x20 && u != '\n' && u != '\r' && u != '\t' && u != '\f')) {
      return "not a picture that is known here";
    }
  }
  return "text, not a picture";
}

std::unexpected<Problem> cannot_open(const std::string& name, int error) {
  if (error == ENOENT || error == ENOTDIR) {
    return refuse(
        ProblemKind::no_input, name + ": there is no such file", "Check the name and the folder.");
  }
  return refuse(ProblemKind::no_input,
                fmt::format("{}: cannot be read ({})", name, std::strerror(error)),
                "Check that the file may be read by you.");
}

struct Fd {
  int fd = -1;
  ~Fd() {
    if (fd >= 0) ::close(fd);
  }
  int release() { return std::exchange(fd, -1); }
};

}  // namespace

std::unexpected<Problem> reading_failed(const std::string& name, int error) {
  return refuse(ProblemKind::io,
                fmt::format("{}: reading failed ({})", name, std::strerror(error)),
                "Check the disk, then try again.");
}

std::string save_plain() {
  return "Save the scan again as an 8- or 16-bit grey or RGB TIFF or PNG, without layers or "
         "transparency.";
}

Result<void> check_size(const std::string& name,
                        double width,
                        double height,
                        const ReadLimits& limits) {
  if (width < 1 || height < 1) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: the file says {:.0f} x {:.0f} pixels", name, width, height),
                  "The file is damaged; scan again.");
  }
  if (width > limits.max_side || height > limits.max_side) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: {:.0f} x {:.0f} pixels, more than {} on a side",
                              name,
                              width,
                              height,
                              limits.max_side),
                  "Scan at a lower resolution, or crop the scan to the sheet.");
  }
  const double megapixels = width * height / 1e6;
  if (megapixels > limits.max_megapixels) {
    return refuse(
        ProblemKind::data,
        fmt::format("{}: {:.0f} x {:.0f} = {:.0f} megapixels, more than the limit of {:.0f}",
                    name,
                    width,
                    height,
                    megapixels,
                    limits.max_megapixels),
        "Scan at 300 to 600 dpi, or crop the scan to the sheet.");
  }
  return {};
}

Result<std::unique_ptr<PixelSource>> open_scan(const std::filesystem::path& file,
                                               const ReadLimits& limits) {
  const std::string name = files::shown(file);
  // O_NONBLOCK: a pipe without a writer must be refused, not waited for.
  Fd fd{::open(file.c_str(), O_RDONLY | O_CLOEXEC | O_NONBLOCK | O_NOCTTY)};
  if (fd.fd < 0) return cannot_open(name, errno);
  struct stat s {};
  if (::fstat(fd.fd, &s) != 0) return cannot_open(name, errno);
  if (S_ISDIR(s.st_mode)) {
    return refuse(ProblemKind::no_input,
                  name + ": this is a folder, not a scan",
                  "Name the scan file inside it.");
  }
  if (!S_ISREG(s.st_mode)) {
    return refuse(ProblemKind::no_input,
                  name + ": this is a pipe or a device, not a file",
                  "Save the scan as a file first.");
  }
  if (s.st_size == 0) {
    return refuse(
        ProblemKind::data, name + ": the file is empty (0 bytes)", "Copy it again, or scan again.");
  }
  std::array<char, 64> buffer{};
  const ssize_t got = ::pread(fd.fd, buffer.data(), buffer.size(), 0);
  if (got < 0) return reading_failed(name, errno);
  const std::string_view head(buffer.data(), static_cast<std::size_t>(got));
  if (starts(head, "II*\0"sv) || starts(head, "MM\0*"sv) || starts(head, "II+\0"sv) ||
      starts(head, "MM\0+"sv)) {
    return open_tiff(fd.release(), name, limits);
  }
  if (starts(head, "\x89PNG\r\n\x1a\n"sv)) return open_png(fd.release(), name, limits);
  if (starts(head, "\xff\xd8\xff"sv)) return open_jpeg(fd.release(), name, limits);
  return refuse(
      ProblemKind::data, fmt::format("{}: this is {}", name, what_it_is(head)), save_plain());
}

}  // namespace rebite::scan

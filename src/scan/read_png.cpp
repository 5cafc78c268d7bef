#include <fmt/format.h>
#include <png.h>
#include <unistd.h>

#include <algorithm>
#include <bit>
#include <cctype>
#include <cerrno>
#include <csetjmp>
#include <cstdio>
#include <cstring>
#include <new>
#include <vector>

#include "scan/exif.h"
#include "scan/pixel_source.h"

// libpng leaves through longjmp. Every function here that sets a jump point calls only libpng and
// touches only plain data, so that no destructor is jumped over.
namespace rebite::scan {
namespace {

constexpr std::size_t chunk_bytes = std::size_t{8} << 20;
constexpr std::size_t max_interlaced_bytes = std::size_t{256} << 20;

struct PngTalk {
  char error[200] = "";
  char warning[200] = "";
};

void note(char* to, std::size_t size, const char* message) {
  if (to[0] == 0) std::snprintf(to, size, "%s", message);
}

[[noreturn]] void on_error(png_structp png, png_const_charp message) {
  auto* talk = static_cast<PngTalk*>(png_get_error_ptr(png));
  note(talk->error, sizeof talk->error, message);
  png_longjmp(png, 1);
}

void on_warning(png_structp png, png_const_charp message) {
  auto* talk = static_cast<PngTalk*>(png_get_error_ptr(png));
  note(talk->warning, sizeof talk->warning, message);
}

// What the header says, as plain data.
struct PngHead {
  png_uint_32 width = 0, height = 0;
  int bits = 0, colour = 0, interlace = 0;
  bool transparent_colour = false;
  png_uint_32 per_metre_x = 0, per_metre_y = 0;
  int unit = PNG_RESOLUTION_UNKNOWN;
  bool srgb = false;
  double gamma = 0;
  bool has_weights = false;
  double weights[3] = {0, 0, 0};
  const unsigned char* profile = nullptr;
  png_uint_32 profile_bytes = 0;
  const unsigned char* exif = nullptr;
  png_uint_32 exif_bytes = 0;
};

// libpng makes room for an EXIF chunk as long as it says it is, gigabytes, before it knows that the
// file holds it. So the lengths of the chunks before the pixels are walked first: whether each ends
// within the file, and has a name. What else is wrong with them libpng tells. The file is at its
// start afterwards.
bool chunks_end_in_file(std::FILE* file) {
  constexpr long signature = 8, around = 12;  // length, name and check sum
  std::fseek(file, 0, SEEK_END);
  const long size = std::ftell(file);
  bool fit = true;
  for (long at = signature; fit && at + 8 <= size;) {
    unsigned char head[8];
    std::fseek(file, at, SEEK_SET);
    if (std::fread(head, 1, sizeof head, file) != sizeof head) break;
    if (std::memcmp(head + 4, "IDAT", 4) == 0 || std::memcmp(head + 4, "IEND", 4) == 0) break;
    const long length = long{head[0]} << 24 | long{head[1]} << 16 | long{head[2]} << 8 | long{head[3]};
    // A name is four letters: zeros (a broken copy's tail) would be walked through by the million.
    fit = length + around <= size - at && std::isalpha(head[4]) && std::isalpha(head[5]) &&
          std::isalpha(head[6]) && std::isalpha(head[7]);
    at += length + around;
  }
  std::fseek(file, 0, SEEK_SET);
  return fit;
}

bool read_head(png_structp png, png_infop info, std::FILE* file, PngHead* head) {
  if (setjmp(png_jmpbuf(png))) return false;
  png_init_io(png, file);
  png_set_user_limits(png, 0x7fffffff, 0x7fffffff);  // our own check says both numbers
  png_set_chunk_malloc_max(png, chunk_bytes);
  png_set_chunk_cache_max(png, 256);
  png_set_crc_action(png, PNG_CRC_ERROR_QUIT, PNG_CRC_ERROR_QUIT);
  png_read_info(png, info);
  png_get_IHDR(png,
               info,
               &head->width,
               &head->height,
               &head->bits,
               &head->colour,
               &head->interlace,
               nullptr,
               nullptr);
  head->transparent_colour = png_get_valid(png, info, PNG_INFO_tRNS) != 0;
  png_get_pHYs(png, info, &head->per_metre_x, &head->per_metre_y, &head->unit);
  head->srgb = png_get_valid(png, info, PNG_INFO_sRGB) != 0;
  if (png_get_valid(png, info, PNG_INFO_gAMA)) png_get_gAMA(png, info, &head->gamma);
  if (png_get_valid(png, info, PNG_INFO_cHRM)) {
    double x = 0;
    head->has_weights = png_get_cHRM_XYZ(png,
                                         info,
                                         &x,
                                         &head->weights[0],
                                         &x,
                                         &x,
                                         &head->weights[1],
                                         &x,
                                         &x,
                                         &head->weights[2],
                                         &x) != 0;
  }
  png_charp name = nullptr;
  int method = 0;
  png_bytep profile = nullptr;
  if (png_get_iCCP(png, info, &name, &method, &profile, &head->profile_bytes))
    head->profile = profile;
  png_bytep exif = nullptr;
  if (png_get_eXIf_1(png, info, &head->exif_bytes, &exif)) head->exif = exif;
  return true;
}

bool start(
    png_structp png, png_infop info, bool little_endian, std::size_t* row_bytes, int* passes) {
  if (setjmp(png_jmpbuf(png))) return false;
  if (little_endian && png_get_bit_depth(png, info) == 16) png_set_swap(png);
  *passes = png_set_interlace_handling(png);
  png_read_update_info(png, info);
  *row_bytes = png_get_rowbytes(png, info);
  return true;
}

bool read_some_rows(png_structp png, png_bytepp rows, png_uint_32 n) {
  if (setjmp(png_jmpbuf(png))) return false;
  png_read_rows(png, rows, nullptr, n);
  return true;
}

bool read_end(png_structp png) {
  if (setjmp(png_jmpbuf(png))) return false;
  png_read_end(png, nullptr);
  return true;
}

class PngSource final : public PixelSource {
 public:
  PngSource(std::string name, const ReadLimits& limits) : name_(std::move(name)), limits_(limits) {}
  ~PngSource() override {
    if (png_) png_destroy_read_struct(&png_, &info_, nullptr);
    if (file_)
      std::fclose(file_);
    else if (fd_ >= 0)
      ::close(fd_);
  }
  Result<void> open(int fd);
  const FileFacts& facts() const override { return facts_; }
  Result<void> read(const TakeBlock& take) override;

 private:
  Result<void> judge(const PngHead& head);
  void take_tags(const PngHead& head);
  bool opaque(const unsigned char* rows, int height) const;
  std::unexpected<Problem> refused(const std::string& what,
                                   const std::string& next = save_plain()) {
    return refuse(ProblemKind::data, name_ + ": " + what, next);
  }
  std::unexpected<Problem> damaged(const std::string& where) {
    if (file_ && std::ferror(file_)) return reading_failed(name_, EIO);
    const char* why = talk_.error[0] ? talk_.error : talk_.warning;
    if (std::strstr(why, "Out of memory")) throw std::bad_alloc();
    return refused(fmt::format("the PNG file is damaged or cut short {}{}",
                               where,
                               why[0] ? fmt::format(" ({})", why) : ""),
                   "Copy the file again from where it came, or scan again.");
  }

  std::string name_;
  ReadLimits limits_;
  PngTalk talk_;
  int fd_ = -1;
  std::FILE* file_ = nullptr;
  png_structp png_ = nullptr;
  png_infop info_ = nullptr;
  FileFacts facts_;
  int samples_ = 1;
  bool alpha_ = false;
  bool interlaced_ = false;
};

Result<void> PngSource::open(int fd) {
  fd_ = fd;
  file_ = ::fdopen(fd, "rb");
  if (!file_) return damaged("(it cannot be opened)");
  png_ = png_create_read_struct(PNG_LIBPNG_VER_STRING, &talk_, on_error, on_warning);
  if (png_) info_ = png_create_info_struct(png_);
  if (!png_ || !info_) throw std::bad_alloc();
  PngHead head;
  if (!chunks_end_in_file(file_))
    return damaged("in its header: a part is longer than the file, or has no name");
  if (!read_head(png_, info_, file_, &head)) return damaged("in its header");
  return judge(head);
}

Result<void> PngSource::judge(const PngHead& head) {
  if (auto r = check_size(name_, head.width, head.height, limits_); !r) return r;
  if (head.colour & PNG_COLOR_MASK_PALETTE) {
    return refused("has a colour table (palette), not tones");
  }
  if (head.bits != 8 && head.bits != 16) {
    return refused(head.bits == 1
                       ? std::string("is black and white only (1 bit), there are no tones in it")
                       : fmt::format("has {} bits per sample; 8 and 16 are read", head.bits));
  }
  if (head.transparent_colour) {
    return refused("makes one of its tones transparent",
                   "Flatten the scan onto white and save it without transparency.");
  }
  facts_.format = "PNG";
  facts_.width = static_cast<int>(head.width);
  facts_.height = static_cast<int>(head.height);
  facts_.bits = head.bits;
  facts_.channels = head.colour & PNG_COLOR_MASK_COLOR ? 3 : 1;
  alpha_ = (head.colour & PNG_COLOR_MASK_ALPHA) != 0;
  samples_ = facts_.channels + (alpha_ ? 1 : 0);
  interlaced_ = head.interlace != PNG_INTERLACE_NONE;
  const double bytes = double(head.width) * head.height * samples_ * head.bits / 8;
  if (interlaced_ && bytes > double(max_interlaced_bytes)) {
    return refused(
        fmt::format("is interlaced and needs {:.0f} MB at once, more than the limit of {}",
                    bytes / 1e6,
                    max_interlaced_bytes / 1000000),
        "Save the PNG without interlacing.");
  }
  take_tags(head);
  return {};
}

void PngSource::take_tags(const PngHead& head) {
  if (head.exif) {
    const auto exif = read_exif({reinterpret_cast<const char*>(head.exif), head.exif_bytes});
    if (exif && exif->orientation) facts_.orientation = exif->orientation;
  }
  if (head.per_metre_x > 0 || head.per_metre_y > 0) {
    facts_.dpi_x = head.per_metre_x * 0.0254;
    facts_.dpi_y = head.per_metre_y * 0.0254;
    facts_.aspect_only = head.unit != PNG_RESOLUTION_METER;
  }
  facts_.tagged_srgb = head.srgb;
  facts_.file_gamma = head.gamma;
  const double sum = head.weights[0] + head.weights[1] + head.weights[2];
  const bool sane = std::all_of(head.weights, head.weights + 3, [](double w) { return w >= 0; });
  if (head.has_weights && sum > 0 && sane) {
    facts_.weights = {head.weights[0] / sum, head.weights[1] / sum, head.weights[2] / sum};
  }
  if (head.profile) {
    if (head.profile_bytes <= limits_.max_profile_bytes) {
      facts_.icc.assign(reinterpret_cast<const char*>(head.profile), head.profile_bytes);
    } else {
      facts_.notes.push_back(fmt::format(
          "The colour profile has {} bytes, more than the limit of {}; it was not used.",
          head.profile_bytes,
          limits_.max_profile_bytes));
    }
  }
  if (talk_.warning[0]) {
    facts_.notes.push_back(
        fmt::format("A tag of the PNG file is not as it should be ({}).", talk_.warning));
    talk_.warning[0] = 0;
  }
}

bool PngSource::opaque(const unsigned char* rows, int height) const {
  if (!alpha_) return true;
  const std::size_t pixels =
      static_cast<std::size_t>(facts_.width) * static_cast<std::size_t>(height);
  const auto n = static_cast<std::size_t>(samples_);
  const std::size_t size = static_cast<std::size_t>(facts_.bits / 8);
  for (std::size_t i = 0; i < pixels; ++i) {
    const unsigned char* a = rows + (i * n + n - 1) * size;
    if (a[0] != 255 || a[size - 1] != 255) return false;
  }
  return true;
}

Result<void> PngSource::read(const TakeBlock& take) {
  std::size_t row_bytes = 0;
  int passes = 1;
  if (!start(png_, info_, std::endian::native == std::endian::little, &row_bytes, &passes)) {
    return damaged("in its header");
  }
  const std::size_t expected =
      static_cast<std::size_t>(facts_.width) * static_cast<std::size_t>(samples_ * facts_.bits / 8);
  if (row_bytes != expected) return damaged("(length of a row)");
  const int group = interlaced_ ? facts_.height : std::min(16, facts_.height);
  // 16-bit elements keep the samples aligned.
  std::vector<std::uint16_t> buffer((row_bytes * static_cast<std::size_t>(group) + 1) / 2);
  auto* bytes = reinterpret_cast<unsigned char*>(buffer.data());
  std::vector<png_bytep> rows(static_cast<std::size_t>(group));
  for (std::size_t i = 0; i < rows.size(); ++i) rows[i] = bytes + i * row_bytes;
  const auto stride = static_cast<std::ptrdiff_t>(facts_.width) * samples_;
  for (int y = 0; y < facts_.height; y += group) {
    const int height = std::min(group, facts_.height - y);
    for (int pass = 0; pass < passes; ++pass) {
      if (!read_some_rows(png_, rows.data(), static_cast<png_uint_32>(height))) {
        return damaged(fmt::format("near row {} of {}", y, facts_.height));
      }
    }
    if (!opaque(bytes, height)) {
      return refused(
          fmt::format("has an alpha channel that is not opaque everywhere (near row {})", y),
          "Flatten the scan onto white and save it without transparency.");
    }
    if (!take({0, y, facts_.width, height, bytes, stride, samples_})) return {};
  }
  if (!read_end(png_) || talk_.warning[0]) return damaged("at its end");
  return {};
}

}  // namespace

Result<std::unique_ptr<PixelSource>> open_png(int fd,
                                              const std::string& name,
                                              const ReadLimits& limits) {
  auto source = std::make_unique<PngSource>(name, limits);
  if (auto r = source->open(fd); !r) return std::unexpected(r.error());
  return source;
}

}  // namespace rebite::scan

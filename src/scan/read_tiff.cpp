#include <fmt/format.h>
#include <sys/stat.h>
#include <tiffio.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <cmath>
#include <cstdarg>
#include <cstdio>
#include <new>
#include <vector>

#include "scan/pixel_source.h"
#include "scan/tiff_header.h"

namespace rebite::scan {
namespace {

constexpr std::size_t max_single_allocation = std::size_t{256} << 20;
constexpr std::size_t max_strip_bytes = std::size_t{48} << 20;  // larger strips: row by row

// libtiff talks through handlers; the first error of a file is what the user should hear.
struct TiffTalk {
  std::string error;
  std::string spared;  // an error that costs no pixel
  std::string warning;
  bool no_memory = false;  // of the machine
  bool too_much = false;   // what a damaged file asked for cannot be had on any machine
};

std::string text_of(const char* format, va_list args) {
  char text[400];
  std::vsnprintf(text, sizeof text, format, args);
  return text;
}

// libtiff goes on without what it found no memory for (a tag is left out). It uses the same words
// when a damaged file asks for nothing at all or for more than our limit.
void note_memory(TiffTalk& talk, const std::string& text) {
  const auto says = [&](const char* words) { return text.find(words) != std::string::npos; };
  long count = 0, each = 0;
  const auto sizes = text.find('(');
  const bool listed = says("allocate memory") && sizes != std::string::npos &&
                      std::sscanf(text.c_str() + sizes, "(%ld elements of %ld", &count, &each) == 2;
  const double bytes = static_cast<double>(count) * static_cast<double>(each);
  if (says("beyond the") || (listed && (bytes <= 0 || bytes > max_single_allocation))) {
    talk.too_much = true;
  }
  const bool short_of_it =
      says("Out of memory") || says("Not enough memory") || says("No space for");
  if (!talk.too_much && (listed || short_of_it)) talk.no_memory = true;
}

// What libtiff calls an error of a tag that costs no pixel: it leaves the tag out.
bool spares_the_pixels(const std::string& error) {
  const auto says = [&](const char* words) { return error.find(words) != std::string::npos; };
  return says("\"Orientation\" tag") || says("Resolution\" tag") || says("\"ResolutionUnit\" tag") ||
         says("\"ICC Profile\"");
}

int on_error(TIFF*, void* talk, const char*, const char* format, va_list args) {
  auto* t = static_cast<TiffTalk*>(talk);
  const std::string text = text_of(format, args);
  note_memory(*t, text);
  std::string& first = spares_the_pixels(text) ? t->spared : t->error;
  if (first.empty()) first = text;
  return 1;
}

int on_warning(TIFF*, void* talk, const char*, const char* format, va_list args) {
  auto* t = static_cast<TiffTalk*>(talk);
  const std::string text = text_of(format, args);
  note_memory(*t, text);
  if (t->warning.empty()) t->warning = text;
  return 1;
}

// What libtiff reads through. It passes over a failed read in many places (a tag is then left out),
// so the failure is kept here and told at the end of every step.
struct TiffDisk {
  int fd = -1;
  int error = 0;
};

tmsize_t disk_read(thandle_t handle, void* to, tmsize_t bytes) {
  auto* disk = static_cast<TiffDisk*>(handle);
  tmsize_t done = 0;
  while (done < bytes) {
    const ssize_t n =
        ::read(disk->fd, static_cast<char*>(to) + done, static_cast<std::size_t>(bytes - done));
    if (n < 0 && errno == EINTR) continue;
    if (n < 0 && disk->error == 0) disk->error = errno;
    if (n <= 0) break;
    done += n;
  }
  return done;
}

tmsize_t disk_write(thandle_t, void*, tmsize_t) { return 0; }

toff_t disk_seek(thandle_t handle, toff_t to, int from) {
  return static_cast<toff_t>(
      ::lseek(static_cast<TiffDisk*>(handle)->fd, static_cast<off_t>(to), from));
}

int disk_close(thandle_t handle) { return ::close(static_cast<TiffDisk*>(handle)->fd); }

toff_t disk_size(thandle_t handle) {
  struct stat about {};
  return ::fstat(static_cast<TiffDisk*>(handle)->fd, &about) == 0
             ? static_cast<toff_t>(about.st_size)
             : 0;
}

class TiffSource final : public PixelSource {
 public:
  TiffSource(std::string name, const ReadLimits& limits)
      : name_(std::move(name)), limits_(limits) {}
  ~TiffSource() override {
    if (tiff_)
      TIFFClose(tiff_);
    else if (disk_.fd >= 0)
      ::close(disk_.fd);
  }
  Result<void> open(int fd);
  const FileFacts& facts() const override { return facts_; }
  Result<void> read(const TakeBlock& take) override;

 private:
  std::unexpected<Problem> refused(const std::string& what,
                                   const std::string& next = save_plain()) {
    return refuse(ProblemKind::data, name_ + ": " + what, next);
  }
  std::unexpected<Problem> damaged(const std::string& where);
  Result<void> read_strips(const TakeBlock& take);
  Result<void> read_rows(const TakeBlock& take);
  Result<void> read_tiles(const TakeBlock& take);
  // Finishes a block whose samples lie in buffer_ (contiguous): polarity, alpha.
  Result<bool> hand_over(const TakeBlock& take, int x, int y, int width, int height, int row_width);
  template <class T>
  bool finish(T* samples, int width, int height, int row_width);
  template <class T>
  void interleave(int plane, std::size_t pixels);
  void interleave_plane(int plane, std::size_t pixels);
  std::size_t sample_bytes() const { return static_cast<std::size_t>(facts_.bits / 8); }

  std::string name_;
  ReadLimits limits_;
  TiffTalk talk_;
  TiffDisk disk_;
  TIFF* tiff_ = nullptr;
  FileFacts facts_;
  TiffLayout layout_;
  std::vector<std::uint16_t> buffer_;  // contiguous samples, also used for bytes
  std::vector<std::uint16_t> plane_;   // one plane of a planar strip or tile
};

std::unexpected<Problem> TiffSource::damaged(const std::string& where) {
  if (talk_.no_memory) throw std::bad_alloc();
  if (disk_.error) return reading_failed(name_, disk_.error);
  const std::string& why = talk_.error.empty() ? talk_.warning : talk_.error;
  return refuse(ProblemKind::data,
                fmt::format("{}: the TIFF file is damaged or cut short {}{}",
                            name_,
                            where,
                            why.empty() ? "" : " (" + why + ")"),
                "Copy the file again from where it came, or scan again.");
}

Result<void> TiffSource::open(int fd) {
  disk_.fd = fd;
  TIFFOpenOptions* options = TIFFOpenOptionsAlloc();
  if (!options) throw std::bad_alloc();
  TIFFOpenOptionsSetMaxSingleMemAlloc(options, static_cast<tmsize_t>(max_single_allocation));
  TIFFOpenOptionsSetErrorHandlerExtR(options, on_error, &talk_);
  TIFFOpenOptionsSetWarningHandlerExtR(options, on_warning, &talk_);
  // "m": no memory map, a file that shrinks while it is read must not kill the program.
  tiff_ = TIFFClientOpenExt(name_.c_str(),
                            "rm",
                            &disk_,
                            disk_read,
                            disk_write,
                            disk_seek,
                            disk_close,
                            disk_size,
                            nullptr,
                            nullptr,
                            options);
  TIFFOpenOptionsFree(options);
  if (!tiff_) return damaged("in its header");
  auto header = judge_tiff(tiff_, name_, limits_);
  if (talk_.no_memory) throw std::bad_alloc();
  if (disk_.error) return reading_failed(name_, disk_.error);
  if (!header) return std::unexpected(header.error());
  facts_ = std::move(header->facts);
  layout_ = header->layout;
  if (!talk_.spared.empty()) {
    facts_.notes.push_back(fmt::format(
        "A tag of the TIFF file is not as it should be and was left out ({}).", talk_.spared));
  }
  return {};
}

// Polarity and alpha in one pass; false when the alpha is not opaque.
template <class T>
bool TiffSource::finish(T* samples, int width, int height, int row_width) {
  const T full = static_cast<T>(~T{0});
  const int n = layout_.samples;
  if (!layout_.invert && !layout_.alpha) return true;
  for (int y = 0; y < height; ++y) {
    T* row = samples + static_cast<std::ptrdiff_t>(y) * row_width * n;
    for (int x = 0; x < width; ++x) {
      if (layout_.alpha && row[x * n + n - 1] != full) return false;
      if (layout_.invert) row[x * n] = static_cast<T>(full - row[x * n]);
    }
  }
  return true;
}

Result<bool> TiffSource::hand_over(
    const TakeBlock& take, int x, int y, int width, int height, int row_width) {
  const bool opaque =
      facts_.bits == 8
          ? finish(reinterpret_cast<std::uint8_t*>(buffer_.data()), width, height, row_width)
          : finish(buffer_.data(), width, height, row_width);
  if (!opaque) {
    return refused(
        fmt::format("has an alpha channel that is not opaque everywhere (near row {})", y),
        "Flatten the scan onto white and save it without transparency.");
  }
  return take({x,
               y,
               width,
               height,
               buffer_.data(),
               static_cast<std::ptrdiff_t>(row_width) * layout_.samples,
               layout_.samples});
}

template <class T>
void TiffSource::interleave(int plane, std::size_t pixels) {
  const T* from = reinterpret_cast<const T*>(plane_.data());
  T* to = reinterpret_cast<T*>(buffer_.data()) + plane;
  const auto n = static_cast<std::size_t>(layout_.samples);
  for (std::size_t i = 0; i < pixels; ++i) to[i * n] = from[i];
}

void TiffSource::interleave_plane(int plane, std::size_t pixels) {
  if (facts_.bits == 8) {
    interleave<std::uint8_t>(plane, pixels);
  } else {
    interleave<std::uint16_t>(plane, pixels);
  }
}

Result<void> TiffSource::read(const TakeBlock& take) {
  talk_.warning.clear();  // header warnings (private tags of scanners) are no damage
  Result<void> done;
  if (TIFFIsTiled(tiff_)) {
    done = read_tiles(take);
  } else {
    std::uint32_t rows = 0;
    TIFFGetFieldDefaulted(tiff_, TIFFTAG_ROWSPERSTRIP, &rows);
    rows = std::clamp<std::uint32_t>(rows, 1, static_cast<std::uint32_t>(facts_.height));
    const double strip = double(rows) * facts_.width * layout_.samples * double(sample_bytes());
    done = strip > double(max_strip_bytes) ? read_rows(take) : read_strips(take);
  }
  if (talk_.no_memory) throw std::bad_alloc();
  if (disk_.error) return reading_failed(name_, disk_.error);
  if (!done) return done;
  if (!talk_.warning.empty() || !talk_.error.empty()) return damaged("in its pixels");
  return {};
}

Result<void> TiffSource::read_strips(const TakeBlock& take) {
  std::uint32_t rows = 0;
  TIFFGetFieldDefaulted(tiff_, TIFFTAG_ROWSPERSTRIP, &rows);
  const int per_strip = static_cast<int>(
      std::clamp<std::uint32_t>(rows, 1, static_cast<std::uint32_t>(facts_.height)));
  const int planes = layout_.planar ? layout_.samples : 1;
  const auto row_samples =
      static_cast<std::size_t>(facts_.width) * static_cast<std::size_t>(layout_.samples);
  const std::uint32_t wanted =
      static_cast<std::uint32_t>((facts_.height + per_strip - 1) / per_strip * planes);
  if (TIFFNumberOfStrips(tiff_) != wanted) {
    return refused(
        fmt::format(
            "has {} strips where its height asks for {}", TIFFNumberOfStrips(tiff_), wanted),
        "Copy the file again from where it came, or scan again.");
  }
  buffer_.resize((row_samples * static_cast<std::size_t>(per_strip) * sample_bytes() + 1) / 2);
  if (layout_.planar) plane_.resize(buffer_.size());
  for (int y = 0; y < facts_.height; y += per_strip) {
    const int height = std::min(per_strip, facts_.height - y);
    const std::size_t pixels =
        static_cast<std::size_t>(height) * static_cast<std::size_t>(facts_.width);
    for (int p = 0; p < planes; ++p) {
      const auto bytes = static_cast<tmsize_t>(
          pixels * sample_bytes() * static_cast<std::size_t>(layout_.planar ? 1 : layout_.samples));
      const std::uint32_t strip =
          TIFFComputeStrip(tiff_, static_cast<std::uint32_t>(y), static_cast<std::uint16_t>(p));
      void* to = layout_.planar ? plane_.data() : buffer_.data();
      if (TIFFReadEncodedStrip(tiff_, strip, to, bytes) != bytes) {
        return damaged(fmt::format("at row {} of {}", y, facts_.height));
      }
      if (layout_.planar) interleave_plane(p, pixels);
    }
    auto go_on = hand_over(take, 0, y, facts_.width, height, facts_.width);
    if (!go_on) return std::unexpected(go_on.error());
    if (!*go_on) return {};
  }
  return {};
}

// Very large strips: row by row, so that the memory stays small.
Result<void> TiffSource::read_rows(const TakeBlock& take) {
  if (layout_.planar) {
    return refused("stores each colour apart in one very large strip",
                   "Save the TIFF again with the colours interleaved, uncompressed or with LZW.");
  }
  constexpr int group = 16;
  const auto row_bytes = static_cast<std::size_t>(TIFFScanlineSize(tiff_));
  const std::size_t wanted = static_cast<std::size_t>(facts_.width) *
                             static_cast<std::size_t>(layout_.samples) * sample_bytes();
  if (row_bytes != wanted) return damaged("(length of a row)");
  buffer_.resize((row_bytes * group + 1) / 2);
  for (int y = 0; y < facts_.height; y += group) {
    const int height = std::min(group, facts_.height - y);
    for (int r = 0; r < height; ++r) {
      char* to = reinterpret_cast<char*>(buffer_.data()) + static_cast<std::size_t>(r) * row_bytes;
      if (TIFFReadScanline(tiff_, to, static_cast<std::uint32_t>(y + r), 0) != 1) {
        return damaged(fmt::format("at row {} of {}", y + r, facts_.height));
      }
    }
    auto go_on = hand_over(take, 0, y, facts_.width, height, facts_.width);
    if (!go_on) return std::unexpected(go_on.error());
    if (!*go_on) return {};
  }
  return {};
}

Result<void> TiffSource::read_tiles(const TakeBlock& take) {
  std::uint32_t tile_w = 0, tile_h = 0;
  TIFFGetField(tiff_, TIFFTAG_TILEWIDTH, &tile_w);
  TIFFGetField(tiff_, TIFFTAG_TILELENGTH, &tile_h);
  const double tile_bytes = double(tile_w) * tile_h * layout_.samples * double(sample_bytes());
  if (tile_w == 0 || tile_h == 0 || tile_bytes > double(max_strip_bytes)) {
    return refused(fmt::format("has tiles of {} x {} pixels", tile_w, tile_h));
  }
  const int planes = layout_.planar ? layout_.samples : 1;
  const std::size_t pixels = std::size_t{tile_w} * tile_h;
  buffer_.resize((static_cast<std::size_t>(tile_bytes) + 1) / 2);
  if (layout_.planar) plane_.resize((pixels * sample_bytes() + 1) / 2);
  const auto bytes = static_cast<tmsize_t>(
      pixels * sample_bytes() * static_cast<std::size_t>(layout_.planar ? 1 : layout_.samples));
  if (TIFFTileSize(tiff_) != bytes) return damaged("(size of a tile)");
  const int tw = static_cast<int>(tile_w), th = static_cast<int>(tile_h);
  for (int y = 0; y < facts_.height; y += th) {
    for (int x = 0; x < facts_.width; x += tw) {
      for (int p = 0; p < planes; ++p) {
        const std::uint32_t tile = TIFFComputeTile(tiff_,
                                                   static_cast<std::uint32_t>(x),
                                                   static_cast<std::uint32_t>(y),
                                                   0,
                                                   static_cast<std::uint16_t>(p));
        void* to = layout_.planar ? plane_.data() : buffer_.data();
        if (TIFFReadEncodedTile(tiff_, tile, to, bytes) != bytes) {
          return damaged(fmt::format("in the tile at {}, {}", x, y));
        }
        if (layout_.planar) interleave_plane(p, pixels);
      }
      auto go_on = hand_over(
          take, x, y, std::min(tw, facts_.width - x), std::min(th, facts_.height - y), tw);
      if (!go_on) return std::unexpected(go_on.error());
      if (!*go_on) return {};
    }
  }
  return {};
}

}  // namespace

Result<std::unique_ptr<PixelSource>> open_tiff(int fd,
                                               const std::string& name,
                                               const ReadLimits& limits) {
  auto source = std::make_unique<TiffSource>(name, limits);
  if (auto r = source->open(fd); !r) return std::unexpected(r.error());
  return source;
}

}  // namespace rebite::scan

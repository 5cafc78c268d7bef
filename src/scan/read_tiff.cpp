#include <fmt/format.h>
#include <sys/stat.h>
#include <tiffio.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <cstdarg>
#include <cstdio>
#include <new>
#include <vector>

#include "scan/pixel_source.h"

namespace rebite::scan {
namespace {

constexpr std::size_t max_single_allocation = std::size_t{256} << 20;
constexpr std::size_t max_strip_bytes = std::size_t{48} << 20;  // larger strips: row by row

// libtiff talks through handlers; the first error of a file is what the user should hear.
struct TiffTalk {
  std::string error;
  std::string warning;
};

std::string text_of(const char* format, va_list args) {
  char text[400];
  std::vsnprintf(text, sizeof text, format, args);
  return text;
}

int on_error(TIFF*, void* talk, const char*, const char* format, va_list args) {
  auto* t = static_cast<TiffTalk*>(talk);
  if (t->error.empty()) t->error = text_of(format, args);
  return 1;
}

int on_warning(TIFF*, void* talk, const char*, const char* format, va_list args) {
  auto* t = static_cast<TiffTalk*>(talk);
  if (t->warning.empty()) t->warning = text_of(format, args);
  return 1;
}

std::string packing_name(int compression) {
  switch (compression) {
    case COMPRESSION_CCITTRLE:
    case COMPRESSION_CCITTFAX3:
    case COMPRESSION_CCITTFAX4:
      return "fax (black and white only)";
    case COMPRESSION_OJPEG:
    case COMPRESSION_JPEG:
      return "JPEG inside TIFF";
    case COMPRESSION_JP2000:
      return "JPEG 2000";
    case COMPRESSION_ZSTD:
      return "Zstandard";
    case COMPRESSION_WEBP:
      return "WebP";
    case COMPRESSION_LZMA:
      return "LZMA";
    default:
      return fmt::format("number {}", compression);
  }
}

// The most bytes that one byte of a packed strip can become: DEFLATE 1032 (RFC 1951: 258 bytes
// from 2 bits), PackBits 64, LZW with 12-bit codes and strings of at most 4094 bytes.
double most_expansion(int compression) {
  switch (compression) {
    case COMPRESSION_LZW:
      return 2800;
    case COMPRESSION_ADOBE_DEFLATE:
    case COMPRESSION_DEFLATE:
      return 1032;
    case COMPRESSION_PACKBITS:
      return 64;
    default:
      return 1;
  }
}

struct Layout {
  int samples = 1;  // per pixel in the file, alpha included
  bool alpha = false;
  bool planar = false;
  bool invert = false;
  int compression = COMPRESSION_NONE;
};

class TiffSource final : public PixelSource {
 public:
  TiffSource(std::string name, const ReadLimits& limits)
      : name_(std::move(name)), limits_(limits) {}
  ~TiffSource() override {
    if (tiff_)
      TIFFClose(tiff_);
    else if (fd_ >= 0)
      ::close(fd_);
  }
  Result<void> open(int fd);
  const FileFacts& facts() const override { return facts_; }
  Result<void> read(const TakeBlock& take) override;

 private:
  Result<void> check_pages();
  Result<void> check_layout();
  Result<void> check_samples(int photometric, int extra_count);
  Result<void> check_bytes();
  void read_tags();
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
  int fd_ = -1;
  TIFF* tiff_ = nullptr;
  FileFacts facts_;
  Layout layout_;
  std::vector<std::uint16_t> buffer_;  // contiguous samples, also used for bytes
  std::vector<std::uint16_t> plane_;   // one plane of a planar strip or tile
};

std::unexpected<Problem> TiffSource::damaged(const std::string& where) {
  const std::string& why = talk_.error.empty() ? talk_.warning : talk_.error;
  return refuse(ProblemKind::data,
                fmt::format("{}: the TIFF file is damaged or cut short {}{}",
                            name_,
                            where,
                            why.empty() ? "" : " (" + why + ")"),
                "Copy the file again from where it came, or scan again.");
}

Result<void> TiffSource::open(int fd) {
  fd_ = fd;
  facts_.format = "TIFF";
  TIFFOpenOptions* options = TIFFOpenOptionsAlloc();
  if (!options) throw std::bad_alloc();
  TIFFOpenOptionsSetMaxSingleMemAlloc(options, static_cast<tmsize_t>(max_single_allocation));
  TIFFOpenOptionsSetErrorHandlerExtR(options, on_error, &talk_);
  TIFFOpenOptionsSetWarningHandlerExtR(options, on_warning, &talk_);
  // "m": no memory map, a file that shrinks while it is read must not kill the program.
  tiff_ = TIFFFdOpenExt(fd, name_.c_str(), "rm", options);
  TIFFOpenOptionsFree(options);
  if (!tiff_) return damaged("in its header");
  fd_ = -1;  // closed by TIFFClose
  if (auto r = check_layout(); !r) return r;
  read_tags();
  if (auto r = check_pages(); !r) return r;
  return check_bytes();
}

Result<void> TiffSource::check_pages() {
  int pages = 1;
  constexpr int most = 1000;
  while (!TIFFLastDirectory(tiff_) && pages < most) {
    if (!TIFFReadDirectory(tiff_)) break;
    std::uint32_t kind = 0;
    TIFFGetFieldDefaulted(tiff_, TIFFTAG_SUBFILETYPE, &kind);
    if (!(kind & FILETYPE_REDUCEDIMAGE)) ++pages;  // previews are no pages
  }
  if (pages > 1) {
    return refused(fmt::format("holds {}{} pages, and only files of one page are read",
                               pages >= most ? "at least " : "",
                               pages),
                   "Save the page that is meant as a file of its own.");
  }
  if (!TIFFSetDirectory(tiff_, 0)) return damaged("in its directory");
  return {};
}

Result<void> TiffSource::check_layout() {
  std::uint32_t width = 0, height = 0;
  TIFFGetField(tiff_, TIFFTAG_IMAGEWIDTH, &width);
  TIFFGetField(tiff_, TIFFTAG_IMAGELENGTH, &height);
  if (auto r = check_size(name_, width, height, limits_); !r) return r;
  facts_.width = static_cast<int>(width);
  facts_.height = static_cast<int>(height);

  std::uint16_t bits = 1, samples = 1, format = SAMPLEFORMAT_UINT, planar = PLANARCONFIG_CONTIG;
  std::uint16_t compression = COMPRESSION_NONE, photometric = 0, extras = 0;
  std::uint16_t* kinds = nullptr;
  TIFFGetFieldDefaulted(tiff_, TIFFTAG_BITSPERSAMPLE, &bits);
  TIFFGetFieldDefaulted(tiff_, TIFFTAG_SAMPLESPERPIXEL, &samples);
  TIFFGetFieldDefaulted(tiff_, TIFFTAG_SAMPLEFORMAT, &format);
  TIFFGetFieldDefaulted(tiff_, TIFFTAG_PLANARCONFIG, &planar);
  TIFFGetFieldDefaulted(tiff_, TIFFTAG_COMPRESSION, &compression);
  TIFFGetFieldDefaulted(tiff_, TIFFTAG_EXTRASAMPLES, &extras, &kinds);
  if (!TIFFGetField(tiff_, TIFFTAG_PHOTOMETRIC, &photometric)) {
    return refused("does not say whether its pixels are grey or colour (no photometric tag)");
  }
  switch (photometric) {
    case PHOTOMETRIC_MINISWHITE:
    case PHOTOMETRIC_MINISBLACK:
    case PHOTOMETRIC_RGB:
      break;
    case PHOTOMETRIC_PALETTE:
      return refused("has a colour table (palette), not tones");
    case PHOTOMETRIC_SEPARATED:
      return refused("is in CMYK (printing inks), which has no tone of its own");
    case PHOTOMETRIC_YCBCR:
      return refused("is stored as YCbCr (lossy video colours)");
    case PHOTOMETRIC_CIELAB:
    case PHOTOMETRIC_ICCLAB:
    case PHOTOMETRIC_ITULAB:
      return refused("is in Lab colours");
    default:
      return refused(
          fmt::format("has a colour model that is not read (photometric {})", photometric));
  }
  if (format == SAMPLEFORMAT_IEEEFP || format == SAMPLEFORMAT_COMPLEXIEEEFP) {
    return refused(fmt::format("holds floating-point samples of {} bits", bits));
  }
  if (format == SAMPLEFORMAT_INT || format == SAMPLEFORMAT_COMPLEXINT) {
    return refused("holds signed samples");
  }
  if (bits != 8 && bits != 16) {
    return refused(bits == 1
                       ? std::string("is black and white only (1 bit), there are no tones in it")
                       : fmt::format("has {} bits per sample; 8 and 16 are read", bits));
  }
  facts_.bits = bits;
  layout_.samples = samples;
  layout_.planar = planar == PLANARCONFIG_SEPARATE && samples > 1;
  layout_.compression = compression;
  layout_.invert = photometric == PHOTOMETRIC_MINISWHITE;
  if (most_expansion(compression) <= 1 && compression != COMPRESSION_NONE) {
    return refused(
        fmt::format("is packed in a way that is not read here: {}", packing_name(compression)),
        "Save the TIFF uncompressed, or with LZW or Deflate (ZIP).");
  }
  return check_samples(photometric, extras);
}

Result<void> TiffSource::check_samples(int photometric, int extra_count) {
  const int colours = photometric == PHOTOMETRIC_RGB ? 3 : 1;
  const int samples = layout_.samples;
  facts_.channels = colours;
  if (samples < colours) {
    return refused(
        fmt::format("says RGB but has {} sample(s) per pixel instead of 3: its tags "
                    "contradict each other",
                    samples));
  }
  if (samples > colours + 1) {
    return refused(
        fmt::format("has {} samples per pixel where {} has {}: its tags contradict each "
                    "other or it has extra channels",
                    samples,
                    colours == 3 ? "RGB" : "grey",
                    colours));
  }
  layout_.alpha = samples == colours + 1;
  if (layout_.alpha && extra_count == 0) {
    facts_.notes.push_back(
        "The file has one sample more per pixel than its colours need and does not say what it is; "
        "it is full throughout and was left out.");
  }
  return {};
}

// A file must hold enough bytes for its pixels before anything is allocated for them.
Result<void> TiffSource::check_bytes() {
  struct stat s {};
  if (::fstat(TIFFFileno(tiff_), &s) != 0) return damaged("(its size is not known)");
  const double need = double(facts_.width) * facts_.height * layout_.samples * facts_.bits / 8;
  const double have = double(s.st_size) * most_expansion(layout_.compression);
  if (have < need) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: cut short, {} x {} pixels need {:.0f} bytes and the file of {} "
                              "bytes cannot hold them",
                              name_,
                              facts_.width,
                              facts_.height,
                              need,
                              s.st_size),
                  "Copy the file again from where it came, or scan again.");
  }
  return {};
}

void TiffSource::read_tags() {
  std::uint16_t orientation = 1, unit = RESUNIT_INCH;
  TIFFGetFieldDefaulted(tiff_, TIFFTAG_ORIENTATION, &orientation);
  if (orientation < 1 || orientation > 8) {
    facts_.notes.push_back(fmt::format(
        "The orientation tag is {}, outside 1 to 8; the picture is taken as stored.", orientation));
    orientation = 1;
  }
  facts_.orientation = orientation;
  float x = 0, y = 0;
  const bool has_x = TIFFGetField(tiff_, TIFFTAG_XRESOLUTION, &x);
  const bool has_y = TIFFGetField(tiff_, TIFFTAG_YRESOLUTION, &y);
  TIFFGetFieldDefaulted(tiff_, TIFFTAG_RESOLUTIONUNIT, &unit);
  const double per_inch = unit == RESUNIT_CENTIMETER ? 2.54 : 1;
  facts_.dpi_x = has_x ? x * per_inch : 0;
  facts_.dpi_y = has_y ? y * per_inch : facts_.dpi_x;
  if (!has_x) facts_.dpi_x = facts_.dpi_y;
  facts_.aspect_only = unit == RESUNIT_NONE;
  std::uint32_t size = 0;
  void* data = nullptr;
  if (TIFFGetField(tiff_, TIFFTAG_ICCPROFILE, &size, &data) && data && size > 0) {
    if (size <= limits_.max_profile_bytes) {
      facts_.icc.assign(static_cast<const char*>(data), size);
    } else {
      facts_.notes.push_back(fmt::format(
          "The colour profile has {} bytes, more than the limit of {}; it was not used.",
          size,
          limits_.max_profile_bytes));
    }
  }
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

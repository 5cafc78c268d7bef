#include "scan/tiff_header.h"

#include <fmt/format.h>
#include <tiffio.h>

#include <utility>

namespace rebite::scan {
namespace {

std::string copy_again() { return "Copy the file again from where it came, or scan again."; }

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

class Judge {
 public:
  Judge(TIFF* file, const std::string& name, const ReadLimits& limits)
      : tiff_(file), name_(name), limits_(limits) {}
  Result<TiffHeader> header();

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

  TIFF* tiff_;
  const std::string& name_;
  const ReadLimits& limits_;
  FileFacts facts_;
  TiffLayout layout_;
};

Result<TiffHeader> Judge::header() {
  facts_.format = "TIFF";
  if (auto r = check_layout(); !r) return std::unexpected(r.error());
  read_tags();
  if (auto r = check_pages(); !r) return std::unexpected(r.error());
  if (auto r = check_bytes(); !r) return std::unexpected(r.error());
  return TiffHeader{std::move(facts_), layout_};
}

Result<void> Judge::check_layout() {
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

Result<void> Judge::check_samples(int photometric, int extra_count) {
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

Result<void> Judge::check_pages() {
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
  if (!TIFFSetDirectory(tiff_, 0)) {
    return refused("the TIFF file is damaged in its directory", copy_again());
  }
  return {};
}

// A file must hold enough bytes for its pixels before anything is allocated for them.
Result<void> Judge::check_bytes() {
  const auto size = TIFFGetSizeProc(tiff_)(TIFFClientdata(tiff_));
  const double need = double(facts_.width) * facts_.height * layout_.samples * facts_.bits / 8;
  const double have = double(size) * most_expansion(layout_.compression);
  if (have < need) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: cut short, {} x {} pixels need {:.0f} bytes and the file of {} "
                              "bytes cannot hold them",
                              name_,
                              facts_.width,
                              facts_.height,
                              need,
                              size),
                  copy_again());
  }
  return {};
}

void Judge::read_tags() {
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

}  // namespace

Result<TiffHeader> judge_tiff(tiff* file, const std::string& name, const ReadLimits& limits) {
  return Judge(file, name, limits).header();
}

}  // namespace rebite::scan

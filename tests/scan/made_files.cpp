#include "tests/scan/made_files.h"

#include <jpeglib.h>
#include <png.h>
#include <tiffio.h>
#include <unistd.h>

#include <cstdio>
#include <cstdlib>
#include <cstring>
#include <stdexcept>

namespace rebite::scan::made {
namespace {

template <class T>
void put(std::vector<unsigned char>& bytes, T value) {
  unsigned char raw[sizeof(T)];
  std::memcpy(raw, &value, sizeof(T));
  bytes.insert(bytes.end(), raw, raw + sizeof(T));
}

void put_sample(std::vector<unsigned char>& bytes, int bits, std::uint16_t value) {
  bits == 8 ? put(bytes, static_cast<std::uint8_t>(value)) : put(bytes, value);
}

std::uint16_t full(int bits) { return bits == 8 ? 255 : 65535; }

// Samples of a rectangle (clamped at the picture's edge, as tiles are), for one plane or all.
std::vector<unsigned char> rectangle(
    const Picture& p, const TiffLayout& l, int x0, int y0, int w, int h, int plane) {
  std::vector<unsigned char> bytes;
  const int samples = p.channels + (l.extra ? 1 : 0);
  for (int y = y0; y < y0 + h; ++y) {
    for (int x = x0; x < x0 + w; ++x) {
      for (int k = 0; k < samples; ++k) {
        if (plane >= 0 && k != plane) continue;
        std::uint16_t v = 0;
        if (k >= p.channels) {
          v = l.extra == 2 && x == 3 && y == 5 ? 0 : full(p.bits);
        } else {
          v = p.sample(std::min(x, p.width - 1), std::min(y, p.height - 1), k);
          if (l.min_is_white) v = static_cast<std::uint16_t>(full(p.bits) - v);
        }
        put_sample(bytes, p.bits, v);
      }
    }
  }
  return bytes;
}

void set_tags(TIFF* t, const Picture& p, const TiffLayout& l, int page) {
  const int samples = p.channels + (l.extra ? 1 : 0);
  TIFFSetField(t, TIFFTAG_IMAGEWIDTH, p.width);
  TIFFSetField(t, TIFFTAG_IMAGELENGTH, p.height);
  TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, p.bits);
  TIFFSetField(t, TIFFTAG_SAMPLESPERPIXEL, samples);
  TIFFSetField(t, TIFFTAG_COMPRESSION, l.compression);
  TIFFSetField(t,
               TIFFTAG_PHOTOMETRIC,
               p.channels == 3  ? PHOTOMETRIC_RGB
               : l.min_is_white ? PHOTOMETRIC_MINISWHITE
                                : PHOTOMETRIC_MINISBLACK);
  TIFFSetField(t, TIFFTAG_PLANARCONFIG, l.planar ? PLANARCONFIG_SEPARATE : PLANARCONFIG_CONTIG);
  if (l.predictor > 1) TIFFSetField(t, TIFFTAG_PREDICTOR, l.predictor);
  if (l.orientation) TIFFSetField(t, TIFFTAG_ORIENTATION, l.orientation);
  if (l.dpi_x != 0 || l.dpi_y != 0) {
    TIFFSetField(t, TIFFTAG_XRESOLUTION, l.dpi_x);
    TIFFSetField(t, TIFFTAG_YRESOLUTION, l.dpi_y);
    TIFFSetField(t, TIFFTAG_RESOLUTIONUNIT, l.unit);
  }
  if (l.extra) {
    const std::uint16_t kind = EXTRASAMPLE_UNASSALPHA;
    TIFFSetField(t, TIFFTAG_EXTRASAMPLES, 1, &kind);
  }
  if (!l.icc.empty()) {
    TIFFSetField(t, TIFFTAG_ICCPROFILE, static_cast<std::uint32_t>(l.icc.size()), l.icc.data());
  }
  if (l.tiles) {
    TIFFSetField(t, TIFFTAG_TILEWIDTH, 16);
    TIFFSetField(t, TIFFTAG_TILELENGTH, 16);
  } else {
    TIFFSetField(t, TIFFTAG_ROWSPERSTRIP, l.rows_per_strip);
  }
  if (l.pages > 1) {
    TIFFSetField(t, TIFFTAG_SUBFILETYPE, FILETYPE_PAGE);
    TIFFSetField(t, TIFFTAG_PAGENUMBER, page, l.pages);
  }
}

void need(bool ok, const char* what) {
  if (!ok) throw std::runtime_error(what);
}

}  // namespace

std::uint16_t Picture::sample(int x, int y, int k) const {
  // A mix that meets both ends and is different for every pixel and channel.
  std::uint32_t v = static_cast<std::uint32_t>(x * 7919 + y * 104729 + k * 1299709 + 17);
  v ^= v >> 7;
  v *= 2654435761U;
  v ^= v >> 15;
  if (x == 0 && y == 0) v = 0;
  if (x == 1 && y == 0) v = 0xffff;
  return static_cast<std::uint16_t>(bits == 8 ? v & 0xff : v & 0xffff);
}

void write_tiff(const std::filesystem::path& file, const Picture& p, const TiffLayout& l) {
  const std::string mode = std::string("w") + (l.big_endian ? "b" : "l") + (l.big_tiff ? "8" : "");
  TIFF* t = TIFFOpen(file.c_str(), mode.c_str());
  need(t != nullptr, "TIFFOpen");
  const int samples = p.channels + (l.extra ? 1 : 0);
  for (int page = 0; page < l.pages; ++page) {
    set_tags(t, p, l, page);
    for (int plane = 0; plane < (l.planar ? samples : 1); ++plane) {
      const int step_x = l.tiles ? 16 : p.width, step_y = l.tiles ? 16 : l.rows_per_strip;
      for (int y = 0; y < p.height; y += step_y) {
        for (int x = 0; x < p.width; x += step_x) {
          const int h = l.tiles ? 16 : std::min(step_y, p.height - y);
          auto bytes = rectangle(p, l, x, y, step_x, h, l.planar ? plane : -1);
          const auto size = static_cast<tmsize_t>(bytes.size());
          const auto ux = static_cast<std::uint32_t>(x), uy = static_cast<std::uint32_t>(y);
          const auto up = static_cast<std::uint16_t>(plane);
          need(l.tiles ? TIFFWriteEncodedTile(
                             t, TIFFComputeTile(t, ux, uy, 0, up), bytes.data(), size) == size
                       : TIFFWriteEncodedStrip(
                             t, TIFFComputeStrip(t, uy, up), bytes.data(), size) == size,
               "TIFFWrite");
        }
      }
    }
    need(TIFFWriteDirectory(t) == 1, "TIFFWriteDirectory");
  }
  TIFFClose(t);
}

void write_odd_tiff(const std::filesystem::path& file, const OddTiff& o) {
  TIFF* t = TIFFOpen(file.c_str(), "w");
  need(t != nullptr, "TIFFOpen");
  TIFFSetField(t, TIFFTAG_IMAGEWIDTH, 32);
  TIFFSetField(t, TIFFTAG_IMAGELENGTH, 16);
  TIFFSetField(t, TIFFTAG_BITSPERSAMPLE, o.bits);
  TIFFSetField(t, TIFFTAG_SAMPLESPERPIXEL, o.samples);
  TIFFSetField(t, TIFFTAG_SAMPLEFORMAT, o.sample_format);
  TIFFSetField(t, TIFFTAG_COMPRESSION, o.compression);
  TIFFSetField(t, TIFFTAG_PHOTOMETRIC, o.photometric);
  TIFFSetField(t, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG);
  TIFFSetField(t, TIFFTAG_ROWSPERSTRIP, 16);
  TIFFSetField(t, TIFFTAG_XRESOLUTION, 300.0);
  TIFFSetField(t, TIFFTAG_YRESOLUTION, 300.0);
  if (o.subsampling) TIFFSetField(t, TIFFTAG_YCBCRSUBSAMPLING, 2, 2);
  if (o.photometric == PHOTOMETRIC_PALETTE) {
    std::vector<std::uint16_t> map(std::size_t{1} << o.bits, 1000);
    TIFFSetField(t, TIFFTAG_COLORMAP, map.data(), map.data(), map.data());
  }
  std::vector<unsigned char> bytes(static_cast<std::size_t>(TIFFStripSize(t)), 0);
  need(TIFFWriteEncodedStrip(t, 0, bytes.data(), static_cast<tmsize_t>(bytes.size())) > 0,
       "TIFFWriteEncodedStrip");
  TIFFClose(t);
}

void write_png(const std::filesystem::path& file, const Picture& p, const PngLayout& l) {
  std::FILE* f = std::fopen(file.c_str(), "wb");
  need(f != nullptr, "fopen");
  png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, nullptr, nullptr, nullptr);
  png_infop info = png_create_info_struct(png);
  png_init_io(png, f);
  int colour = p.channels == 3 ? PNG_COLOR_TYPE_RGB : PNG_COLOR_TYPE_GRAY;
  if (l.alpha) colour |= PNG_COLOR_MASK_ALPHA;
  if (l.palette) colour = PNG_COLOR_TYPE_PALETTE;
  const int bits = l.small_bits ? l.small_bits : p.bits;
  png_set_IHDR(png,
               info,
               static_cast<png_uint_32>(p.width),
               static_cast<png_uint_32>(p.height),
               bits,
               colour,
               l.interlaced ? PNG_INTERLACE_ADAM7 : PNG_INTERLACE_NONE,
               0,
               0);
  if (l.palette) {
    std::vector<png_color> map(256, png_color{10, 20, 30});
    png_set_PLTE(png, info, map.data(), 256);
  }
  if (l.gamma > 0) png_set_gAMA(png, info, l.gamma);
  if (l.srgb) png_set_sRGB(png, info, PNG_sRGB_INTENT_RELATIVE);
  if (!l.icc.empty()) {
    png_set_option(png, PNG_SKIP_sRGB_CHECK_PROFILE, PNG_OPTION_ON);
    png_set_iCCP(png,
                 info,
                 "made",
                 0,
                 reinterpret_cast<png_const_bytep>(l.icc.data()),
                 static_cast<png_uint_32>(l.icc.size()));
  }
  if (l.dpi > 0) {
    const auto per_metre = static_cast<png_uint_32>(l.dpi / 0.0254 + 0.5);
    png_set_pHYs(png, info, per_metre, per_metre, PNG_RESOLUTION_METER);
  }
  std::string exif = exif_block(l.exif_orientation, 0);
  if (l.exif_orientation) {
    png_set_eXIf_1(
        png, info, static_cast<png_uint_32>(exif.size()), reinterpret_cast<png_bytep>(exif.data()));
  }
  png_write_info(png, info);
  const int samples = p.channels + (l.alpha ? 1 : 0);
  std::vector<std::vector<unsigned char>> rows;
  for (int y = 0; y < p.height; ++y) {
    std::vector<unsigned char> row;
    for (int x = 0; x < p.width; ++x) {
      for (int k = 0; k < samples; ++k) {
        const std::uint16_t v = k < p.channels                     ? p.sample(x, y, k)
                                : l.alpha == 2 && x == 3 && y == 5 ? std::uint16_t{7}
                                                                   : full(p.bits);
        if (p.bits == 16) {
          row.push_back(static_cast<unsigned char>(v >> 8));
        }
        row.push_back(static_cast<unsigned char>(v & 0xff));
      }
    }
    rows.push_back(std::move(row));
  }
  std::vector<png_bytep> pointers;
  for (auto& r : rows) pointers.push_back(r.data());
  png_write_image(png, pointers.data());
  png_write_end(png, info);
  png_destroy_write_struct(&png, &info);
  std::fclose(f);
}

void write_jpeg(const std::filesystem::path& file, const Picture& p, const JpegLayout& l) {
  std::FILE* f = std::fopen(file.c_str(), "wb");
  need(f != nullptr, "fopen");
  jpeg_compress_struct j{};
  jpeg_error_mgr error{};
  j.err = jpeg_std_error(&error);
  jpeg_create_compress(&j);
  jpeg_stdio_dest(&j, f);
  j.image_width = static_cast<JDIMENSION>(p.width);
  j.image_height = static_cast<JDIMENSION>(p.height);
  j.input_components = l.cmyk ? 4 : p.channels;
  j.in_color_space = l.cmyk ? JCS_CMYK : p.channels == 3 ? JCS_RGB : JCS_GRAYSCALE;
  jpeg_set_defaults(&j);
  jpeg_set_quality(&j, l.quality, TRUE);
  for (int c = 0; c < j.num_components; ++c) {
    j.comp_info[c].h_samp_factor = j.comp_info[c].v_samp_factor = 1;
  }
  if (l.progressive) jpeg_simple_progression(&j);
  j.write_JFIF_header = l.jfif && !l.cmyk;
  j.density_unit = static_cast<UINT8>(l.density_unit);
  j.X_density = j.Y_density = static_cast<UINT16>(l.density);
  jpeg_start_compress(&j, TRUE);
  if (l.exif_orientation || l.exif_dpi) {
    const std::string block =
        std::string("Exif\0\0", 6) + exif_block(l.exif_orientation, l.exif_dpi);
    jpeg_write_marker(&j,
                      JPEG_APP0 + 1,
                      reinterpret_cast<const JOCTET*>(block.data()),
                      static_cast<unsigned>(block.size()));
  }
  if (!l.icc.empty()) {
    jpeg_write_icc_profile(
        &j, reinterpret_cast<const JOCTET*>(l.icc.data()), static_cast<unsigned>(l.icc.size()));
  }
  std::vector<unsigned char> row(static_cast<std::size_t>(p.width * j.input_components));
  for (int y = 0; y < p.height; ++y) {
    for (int x = 0; x < p.width; ++x) {
      for (int k = 0; k < j.input_components; ++k) {
        // Smooth, so that JPEG keeps it: a ramp along x and y.
        const int v = (x * 200 / p.width + y * 50 / p.height + (p.channels == 3 ? k : 0)) & 0xff;
        row[static_cast<std::size_t>(x * j.input_components + k)] = static_cast<unsigned char>(v);
      }
    }
    JSAMPROW r = row.data();
    jpeg_write_scanlines(&j, &r, 1);
  }
  jpeg_finish_compress(&j);
  jpeg_destroy_compress(&j);
  std::fclose(f);
}

std::string exif_block(int orientation, int dpi) {
  std::vector<unsigned char> b{'I', 'I', 42, 0, 8, 0, 0, 0};
  const auto entries = static_cast<std::uint16_t>((orientation ? 1 : 0) + (dpi ? 3 : 0));
  put(b, entries);
  const std::uint32_t values_at = 8 + 2 + 12U * entries + 4;
  const auto entry = [&b](std::uint16_t tag, std::uint16_t type, std::uint32_t value) {
    put(b, tag);
    put(b, type);
    put(b, std::uint32_t{1});
    put(b, value);
  };
  if (orientation) entry(0x0112, 3, static_cast<std::uint32_t>(orientation));
  if (dpi) {
    entry(0x011a, 5, values_at);
    entry(0x011b, 5, values_at);
    entry(0x0128, 3, 2);
  }
  put(b, std::uint32_t{0});
  put(b, static_cast<std::uint32_t>(dpi));
  put(b, std::uint32_t{1});
  return {b.begin(), b.end()};
}

Folder::Folder() {
  std::string name = (std::filesystem::temp_directory_path() / "rebite-scan-XXXXXX").string();
  need(::mkdtemp(name.data()) != nullptr, "mkdtemp");
  path_ = name;
}

Folder::~Folder() {
  std::error_code ignored;
  std::filesystem::remove_all(path_, ignored);
}

}  // namespace rebite::scan::made

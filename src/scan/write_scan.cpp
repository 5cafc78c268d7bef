#include "scan/write_scan.h"

#include <algorithm>
#include <cassert>
#include <cstdio>
#include <cstring>
#include <new>
#include <stdexcept>
#include <utility>

// After OpenCV's headers: libtiff and OpenCV both name integer types in the global namespace.
#include <jpeglib.h>
#include <jerror.h>
#include <png.h>
#include <tiffio.h>
#include <zlib.h>

namespace rebite::scan {
namespace {

// ---- PNG ----

void png_fail(png_structp, png_const_charp message) {
  // No code tells it, and the words differ by place.
  if (::strcasestr(message, "memory")) throw std::bad_alloc();
  throw std::runtime_error(std::string("PNG: ") + message);
}
void png_hush(png_structp, png_const_charp) {}
void png_put(png_structp png, png_bytep data, size_t length) {
  static_cast<std::string*>(png_get_io_ptr(png))->append(reinterpret_cast<char*>(data), length);
}
void png_flush_nothing(png_structp) {}

struct PngWriter {
  png_structp png = png_create_write_struct(PNG_LIBPNG_VER_STRING, nullptr, png_fail, png_hush);
  png_infop info = png != nullptr ? png_create_info_struct(png) : nullptr;
  PngWriter() {
    if (info != nullptr) return;
    png_destroy_write_struct(&png, nullptr);
    throw std::bad_alloc();
  }
  ~PngWriter() { png_destroy_write_struct(&png, &info); }
  PngWriter(const PngWriter&) = delete;
  PngWriter& operator=(const PngWriter&) = delete;
};

int png_colour(int channels) {
  switch (channels) {
    case 1:
      return PNG_COLOR_TYPE_GRAY;
    case 3:
      return PNG_COLOR_TYPE_RGB;
    default:
      return PNG_COLOR_TYPE_RGB_ALPHA;
  }
}

// ---- TIFF in memory ----

struct TiffMemory {
  std::string bytes;
  size_t at = 0;
};

tmsize_t tiff_read(thandle_t handle, void* to, tmsize_t n) {
  auto& m = *static_cast<TiffMemory*>(handle);
  const size_t have = m.at < m.bytes.size() ? m.bytes.size() - m.at : 0;
  const size_t count = std::min(have, static_cast<size_t>(n));
  std::memcpy(to, m.bytes.data() + m.at, count);
  m.at += count;
  return static_cast<tmsize_t>(count);
}
tmsize_t tiff_write(thandle_t handle, void* from, tmsize_t n) {
  auto& m = *static_cast<TiffMemory*>(handle);
  const auto count = static_cast<size_t>(n);
  if (m.at + count > m.bytes.size()) m.bytes.resize(m.at + count);
  std::memcpy(m.bytes.data() + m.at, from, count);
  m.at += count;
  return n;
}
toff_t tiff_seek(thandle_t handle, toff_t offset, int whence) {
  auto& m = *static_cast<TiffMemory*>(handle);
  if (whence == SEEK_CUR) offset += m.at;
  if (whence == SEEK_END) offset += m.bytes.size();
  m.at = static_cast<size_t>(offset);
  return offset;
}
int tiff_close(thandle_t) { return 0; }
toff_t tiff_size(thandle_t handle) { return static_cast<TiffMemory*>(handle)->bytes.size(); }

void check_tiff(int ok) {
  if (ok != 1) throw std::runtime_error("TIFF: could not be written into memory");
}

// ---- JPEG ----

void jpeg_fail(j_common_ptr info) {
  if (info->err->msg_code == JERR_OUT_OF_MEMORY) throw std::bad_alloc();
  char message[JMSG_LENGTH_MAX] = "";
  (*info->err->format_message)(info, message);
  throw std::runtime_error(std::string("JPEG: ") + message);
}

// libjpeg's own jpeg_mem_dest leaves a freed buffer in its caller's hands where it cannot grow.
struct JpegMemory {
  jpeg_destination_mgr calls = {};  // first: libjpeg gives back its address
  std::string bytes;
  JOCTET piece[1U << 14U] = {};

  static JpegMemory& of(j_compress_ptr info) { return *reinterpret_cast<JpegMemory*>(info->dest); }
  void begin_piece() {
    calls.next_output_byte = piece;
    calls.free_in_buffer = sizeof piece;
  }
  void keep(std::size_t length) { bytes.append(reinterpret_cast<const char*>(piece), length); }
};

struct JpegWriter {
  jpeg_compress_struct info = {};
  jpeg_error_mgr errors = {};
  JpegMemory memory;
  JpegWriter() {
    info.err = jpeg_std_error(&errors);
    errors.error_exit = jpeg_fail;
    jpeg_create_compress(&info);
    memory.calls.init_destination = [](j_compress_ptr c) { JpegMemory::of(c).begin_piece(); };
    memory.calls.empty_output_buffer = [](j_compress_ptr c) -> boolean {
      JpegMemory::of(c).keep(sizeof JpegMemory::piece);
      JpegMemory::of(c).begin_piece();
      return TRUE;
    };
    memory.calls.term_destination = [](j_compress_ptr c) {
      auto& m = JpegMemory::of(c);
      m.keep(sizeof m.piece - m.calls.free_in_buffer);
    };
    info.dest = &memory.calls;
  }
  ~JpegWriter() { jpeg_destroy_compress(&info); }
  JpegWriter(const JpegWriter&) = delete;
  JpegWriter& operator=(const JpegWriter&) = delete;
};

}  // namespace

std::string png_bytes(const cv::Mat& image, double px_per_mm, PngContent content) {
  assert(!image.empty() && (image.depth() == CV_8U || image.depth() == CV_16U));
  assert(image.channels() == 1 || image.channels() == 3 || image.channels() == 4);
  std::string out;
  PngWriter w;
  png_set_write_fn(w.png, &out, png_put, png_flush_nothing);
  png_set_IHDR(w.png,
               w.info,
               static_cast<png_uint_32>(image.cols),
               static_cast<png_uint_32>(image.rows),
               image.depth() == CV_8U ? 8 : 16,
               png_colour(image.channels()),
               PNG_INTERLACE_NONE,
               PNG_COMPRESSION_TYPE_DEFAULT,
               PNG_FILTER_TYPE_DEFAULT);
  if (content == PngContent::grain) {
    png_set_compression_level(w.png, 1);
    png_set_compression_strategy(w.png, Z_RLE);
    png_set_filter(w.png, PNG_FILTER_TYPE_BASE, PNG_FILTER_AVG);
  } else {
    png_set_compression_level(w.png, 4);
    png_set_filter(w.png, PNG_FILTER_TYPE_BASE, PNG_FILTER_NONE);
  }
  if (px_per_mm > 0) {
    const auto per_metre = static_cast<png_uint_32>(std::lround(px_per_mm * 1000));
    png_set_pHYs(w.png, w.info, per_metre, per_metre, PNG_RESOLUTION_METER);
  }
  png_write_info(w.png, w.info);
  if (image.depth() == CV_16U) png_set_swap(w.png);  // PNG is big-endian
  for (int y = 0; y < image.rows; ++y) png_write_row(w.png, image.ptr<png_byte>(y));
  png_write_end(w.png, nullptr);
  return out;
}

std::string jpeg_bytes(const cv::Mat& image, int quality, double px_per_mm) {
  assert(image.type() == CV_8UC1 || image.type() == CV_8UC3);
  assert(quality >= 1 && quality <= 100);
  JpegWriter w;
  w.info.image_width = static_cast<JDIMENSION>(image.cols);
  w.info.image_height = static_cast<JDIMENSION>(image.rows);
  w.info.input_components = image.channels();
  w.info.in_color_space = image.channels() == 1 ? JCS_GRAYSCALE : JCS_RGB;
  jpeg_set_defaults(&w.info);
  jpeg_set_quality(&w.info, quality, TRUE);
  if (px_per_mm > 0) {
    // JFIF has whole dots per inch or cm only; inches are finer.
    const auto dpi = static_cast<UINT16>(std::lround(px_per_mm * 25.4));
    w.info.density_unit = 1;
    w.info.X_density = dpi;
    w.info.Y_density = dpi;
  }
  jpeg_start_compress(&w.info, TRUE);
  for (int y = 0; y < image.rows; ++y) {
    JSAMPROW row = const_cast<JSAMPROW>(image.ptr<JSAMPLE>(y));
    jpeg_write_scanlines(&w.info, &row, 1);
  }
  jpeg_finish_compress(&w.info);
  return std::move(w.memory.bytes);
}

std::string tiff_bytes(
    const cv::Mat& image, double dpi_x, double dpi_y, TiffPacking packing, const std::string& icc) {
  assert(!image.empty() && (image.depth() == CV_8U || image.depth() == CV_16U));
  assert(image.channels() == 1 || image.channels() == 3);
  TiffMemory memory;
  // "l": little-endian on every machine, so that the bytes are the same.
  TIFF* tiff = TIFFClientOpen("memory",
                              "wl",
                              &memory,
                              tiff_read,
                              tiff_write,
                              tiff_seek,
                              tiff_close,
                              tiff_size,
                              nullptr,
                              nullptr);
  if (tiff == nullptr) throw std::bad_alloc();
  try {
    const int bits = image.depth() == CV_8U ? 8 : 16;
    check_tiff(TIFFSetField(tiff, TIFFTAG_IMAGEWIDTH, image.cols));
    check_tiff(TIFFSetField(tiff, TIFFTAG_IMAGELENGTH, image.rows));
    check_tiff(TIFFSetField(tiff, TIFFTAG_BITSPERSAMPLE, bits));
    check_tiff(TIFFSetField(tiff, TIFFTAG_SAMPLESPERPIXEL, image.channels()));
    check_tiff(TIFFSetField(tiff, TIFFTAG_PLANARCONFIG, PLANARCONFIG_CONTIG));
    check_tiff(TIFFSetField(tiff, TIFFTAG_ORIENTATION, ORIENTATION_TOPLEFT));
    check_tiff(TIFFSetField(tiff,
                            TIFFTAG_PHOTOMETRIC,
                            image.channels() == 1 ? PHOTOMETRIC_MINISBLACK : PHOTOMETRIC_RGB));
    if (packing != TiffPacking::none) {
      check_tiff(
          TIFFSetField(tiff,
                       TIFFTAG_COMPRESSION,
                       packing == TiffPacking::lzw ? COMPRESSION_LZW : COMPRESSION_ADOBE_DEFLATE));
      check_tiff(TIFFSetField(tiff, TIFFTAG_PREDICTOR, PREDICTOR_HORIZONTAL));
    }
    check_tiff(TIFFSetField(tiff, TIFFTAG_ROWSPERSTRIP, 64));
    if (dpi_x > 0 && dpi_y > 0) {
      check_tiff(TIFFSetField(tiff, TIFFTAG_RESOLUTIONUNIT, RESUNIT_INCH));
      check_tiff(TIFFSetField(tiff, TIFFTAG_XRESOLUTION, dpi_x));
      check_tiff(TIFFSetField(tiff, TIFFTAG_YRESOLUTION, dpi_y));
    }
    if (!icc.empty()) {
      check_tiff(
          TIFFSetField(tiff, TIFFTAG_ICCPROFILE, static_cast<uint32_t>(icc.size()), icc.data()));
    }
    cv::Mat row(1, image.cols, image.type());  // libtiff's predictor changes the row it is given
    for (int y = 0; y < image.rows; ++y) {
      image.row(y).copyTo(row);
      check_tiff(TIFFWriteScanline(tiff, row.data, static_cast<uint32_t>(y), 0));
    }
    check_tiff(TIFFFlush(tiff));
  } catch (...) {
    TIFFClose(tiff);
    throw;
  }
  TIFFClose(tiff);
  return std::move(memory.bytes);
}

}  // namespace rebite::scan

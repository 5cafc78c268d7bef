#include "scan/label_png.h"

#include <png.h>

#include <csetjmp>
#include <cstring>
#include <vector>

namespace rebite::scan {
namespace {

struct Source {
  std::string_view left;
};

void take(png_structp png, png_bytep to, std::size_t n) {
  auto* source = static_cast<Source*>(png_get_io_ptr(png));
  if (source->left.size() < n) png_error(png, "cut off");
  std::memcpy(to, source->left.data(), n);
  source->left.remove_prefix(n);
}

[[noreturn]] void fail(png_structp png, png_const_charp) { png_longjmp(png, 1); }
void ignore(png_structp, png_const_charp) {}

// No C++ object with a destructor may live in here: libpng leaves by longjmp.
bool read_rows(png_structp png, png_infop info, Source* source, cv::Mat1w* labels) {
  if (setjmp(png_jmpbuf(png))) return false;
  png_set_read_fn(png, source, take);
  png_set_user_limits(png, 65535, 65535);
  png_read_info(png, info);
  if (png_get_bit_depth(png, info) != 16 || png_get_color_type(png, info) != PNG_COLOR_TYPE_GRAY ||
      png_get_interlace_type(png, info) != PNG_INTERLACE_NONE) {
    return false;
  }
  png_set_swap(png);  // PNG is big-endian, the machines this runs on are little-endian
  const auto rows = png_get_image_height(png, info), cols = png_get_image_width(png, info);
  if (static_cast<double>(rows) * cols > 64e6) return false;
  labels->create(static_cast<int>(rows), static_cast<int>(cols));
  for (png_uint_32 y = 0; y < rows; ++y) {
    png_read_row(png, labels->ptr<png_byte>(static_cast<int>(y)), nullptr);
  }
  png_read_end(png, nullptr);
  return true;
}

}  // namespace

cv::Mat1w labels_from_png(std::string_view bytes) {
  png_structp png = png_create_read_struct(PNG_LIBPNG_VER_STRING, nullptr, fail, ignore);
  if (!png) return {};
  png_infop info = png_create_info_struct(png);
  Source source{bytes};
  cv::Mat1w labels;
  const bool good = info && read_rows(png, info, &source, &labels);
  png_destroy_read_struct(&png, &info, nullptr);
  return good ? labels : cv::Mat1w();
}

}  // namespace rebite::scan

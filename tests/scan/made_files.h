// Picture files of every layout, written with libtiff, libpng and libjpeg directly, so that the
// readers are checked against an encoder that is not ours.
#pragma once

#include <cstdint>
#include <filesystem>
#include <string>
#include <vector>

namespace rebite::scan::made {

// Samples of a known picture: value of channel k at x, y; every code range is met.
struct Picture {
  int width = 37, height = 29, channels = 1, bits = 16;
  std::uint16_t sample(int x, int y, int k) const;
};

struct TiffLayout {
  bool big_endian = false;
  bool big_tiff = false;
  bool tiles = false;
  bool planar = false;
  int compression = 1;  // TIFF tag values
  int predictor = 1;
  bool min_is_white = false;
  int rows_per_strip = 7;
  int orientation = 0;  // 0: no tag
  double dpi_x = 300, dpi_y = 300;
  int unit = 2;   // 1 none, 2 inch, 3 cm
  int extra = 0;  // alpha samples: 1 opaque, 2 with a hole
  std::string icc = {};
  int pages = 1;
};

// `picture` in the layout; MinIsWhite files hold the inverted samples of the same picture.
void write_tiff(const std::filesystem::path& file,
                const Picture& picture,
                const TiffLayout& layout);

// A TIFF of any tags, 4 x 4 pixels of the given bits, all samples zero: for layouts to be refused.
struct OddTiff {
  int photometric = 1, bits = 8, samples = 1, sample_format = 1, compression = 1, subsampling = 0;
};
void write_odd_tiff(const std::filesystem::path& file, const OddTiff& odd);

struct PngLayout {
  bool interlaced = false;
  int alpha = 0;     // 0 none, 1 opaque, 2 with a hole
  double gamma = 0;  // gAMA
  bool srgb = false;
  double dpi = 300;
  std::string icc = {};
  int exif_orientation = 0;
  bool palette = false;
  int small_bits = 0;  // 1, 2, 4: grey of that depth
};
void write_png(const std::filesystem::path& file, const Picture& picture, const PngLayout& layout);

struct JpegLayout {
  bool progressive = false;
  bool cmyk = false;
  int density_unit = 1;  // 0 none, 1 inch, 2 cm
  int density = 300;
  bool jfif = true;
  int exif_orientation = 0;
  int exif_dpi = 0;
  std::string icc = {};
  int quality = 100;
};
void write_jpeg(const std::filesystem::path& file,
                const Picture& picture,
                const JpegLayout& layout);

// An EXIF block with orientation and resolution (either may be 0 = left out).
std::string exif_block(int orientation, int dpi);

// A folder of its own for one test, removed at the end.
class Folder {
 public:
  Folder();
  ~Folder();
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  std::filesystem::path operator/(const std::string& name) const { return path_ / name; }

 private:
  std::filesystem::path path_;
};

}  // namespace rebite::scan::made

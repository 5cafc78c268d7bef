// What a file format hands over: facts first, then the samples block by block. One format per .cpp;
// nothing outside the scan room includes this.
#pragma once

#include <array>
#include <cstddef>
#include <cstdint>
#include <filesystem>
#include <functional>
#include <memory>
#include <optional>
#include <string>

#include "units/problem.h"

namespace rebite::scan {

struct ReadLimits {
  double max_megapixels = 250;
  int max_side = 65535;
  std::size_t max_profile_bytes = std::size_t{4} << 20;
};

// As the file says it, before any judgement. Sizes and resolution are of the stored picture, before
// the orientation tag is applied.
struct FileFacts {
  std::string format;  // "TIFF", "PNG", "JPEG"
  int width = 0;
  int height = 0;
  int bits = 8;         // 8 or 16
  int channels = 1;     // 1 grey, 3 RGB
  int orientation = 1;  // 1..8 as TIFF 6.0 and EXIF number them
  double dpi_x = 0;     // as tagged, in dots per inch; 0 = none; may be absurd or NaN
  double dpi_y = 0;
  bool aspect_only = false;  // the tag gives a ratio without a unit
  std::string icc;           // profile bytes, empty = none
  bool tagged_srgb = false;  // PNG sRGB chunk
  double file_gamma = 0;     // PNG gAMA: code = light^file_gamma; 0 = none
  // Luminance weights of R, G, B that the file gives (PNG cHRM); empty: sRGB primaries.
  std::optional<std::array<double, 3>> weights;
  bool lossy = false;
  Notes notes;
};

// A rectangle of samples. Row r, column c, channel k is samples[r * row_stride + c * pixel_stride +
// k], of uint8_t or uint16_t in the machine's byte order; 0 is black, full scale is white.
struct Block {
  int x = 0, y = 0, width = 0, height = 0;
  const void* samples = nullptr;
  std::ptrdiff_t row_stride = 0;
  int pixel_stride = 1;
};

// Return false to stop reading.
using TakeBlock = std::function<bool(const Block&)>;

class PixelSource {
 public:
  PixelSource() = default;
  PixelSource(const PixelSource&) = delete;
  PixelSource& operator=(const PixelSource&) = delete;
  virtual ~PixelSource() = default;
  virtual const FileFacts& facts() const = 0;
  // Every pixel exactly once, in blocks of whole rows or of tiles. Refuses (data) what is cut short
  // or damaged, alpha that is not opaque. May be called once.
  virtual Result<void> read(const TakeBlock& take) = 0;
};

// `fd` is an open regular file at its start; it is taken over. `name` is for messages.
Result<std::unique_ptr<PixelSource>> open_tiff(int fd, const std::string& name, const ReadLimits&);
Result<std::unique_ptr<PixelSource>> open_png(int fd, const std::string& name, const ReadLimits&);
Result<std::unique_ptr<PixelSource>> open_jpeg(int fd, const std::string& name, const ReadLimits&);

// Opens the file (never for writing, never waiting on a pipe), looks at its first bytes and hands
// it to the format's reader. Refuses: missing or unreadable (no_input); a folder, a pipe, an empty
// file, something that is no picture of ours (data).
Result<std::unique_ptr<PixelSource>> open_scan(const std::filesystem::path& file,
                                               const ReadLimits&);

// Checks the size against the limits; the message says both numbers.
Result<void> check_size(const std::string& name, double width, double height, const ReadLimits&);

// A disk (or stick) that fails while a scan is read, told as such and not as a damaged scan.
std::unexpected<Problem> reading_failed(const std::string& name, int error);

// "What to save instead", the cure for all layouts that are not read.
std::string save_plain();

}  // namespace rebite::scan

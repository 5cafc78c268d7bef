// The few things of an EXIF block that matter for a scan: orientation and resolution.
#pragma once

#include <optional>
#include <string_view>

namespace rebite::scan {

struct ExifFacts {
  int orientation = 0;  // 1..8; 0 = not said
  double dpi_x = 0;     // dots per inch; 0 = not said or no unit
  double dpi_y = 0;
};

// `block` starts at the TIFF header ("II*\0" or "MM\0*"), as in a PNG eXIf chunk or after
// "Exif\0\0" of a JPEG APP1 marker (EXIF 2.32, section 4.5). Only the first directory is read.
// Nothing if the block is not that or is cut short; never reads past its end.
std::optional<ExifFacts> read_exif(std::string_view block);

}  // namespace rebite::scan

// The tags of a TIFF file judged: what it holds, or why it is not read.
#pragma once

#include <string>

#include "scan/pixel_source.h"

struct tiff;  // libtiff's TIFF; tiffio.h stays in the .cpp files (its names collide with OpenCV's)

namespace rebite::scan {

// How the samples lie in the file.
struct TiffLayout {
  int samples = 1;      // per pixel in the file, alpha included
  bool alpha = false;   // the last sample; must turn out opaque
  bool planar = false;  // each channel apart
  bool invert = false;  // 0 is white
  int compression = 1;  // the tag's value
};

struct TiffHeader {
  FileFacts facts;
  TiffLayout layout;
};

// The first directory. Refuses (data, with `name` in front) everything but 8- or 16-bit unsigned
// grey or RGB with at most one more sample, unpacked or LZW, Deflate, PackBits; several pages;
// sizes beyond the limits; a file that is too short for its pixels. Leaves the file at its first
// directory.
Result<TiffHeader> judge_tiff(tiff* file, const std::string& name, const ReadLimits& limits);

}  // namespace rebite::scan

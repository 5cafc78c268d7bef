// The large pair that speed is measured on, and programs run as children with their time and memory.
#pragma once

#include <filesystem>
#include <string>
#include <string_view>
#include <vector>

#include "tests/support/plate_maker.h"
#include "units/lengths.h"

namespace rebite::measure {

constexpr double kBigDpi = 600;

// A plate of 4:3 whose scan, with its margins, has about so many pixels.
SizeMm plate_for(double megapixels);

struct BigPair {
  maker::MadeScan proof, drawing;  // 16-bit RGB, 600 dpi, the drawing turned by 0.7 degrees
};
BigPair big_pair(double megapixels);

std::filesystem::path scan_of(const std::filesystem::path& folder,
                              double megapixels,
                              std::string_view what,  // "proof" or "drawing"
                              bool lzw);
// Writes the pair, uncompressed and LZW, unless it is there.
void make_scans(const std::filesystem::path& folder, double megapixels);

struct Run {
  double seconds = 0, cpu = 0, mib = 0;
};
// A program with its arguments, its output thrown away or written to `output`. Throws when it fails.
Run run(const std::vector<std::string>& words, const std::filesystem::path& output = "/dev/null");

}  // namespace rebite::measure

// What a scan file says of itself.
#pragma once

#include <filesystem>
#include <optional>
#include <string>

#include "units/lengths.h"
#include "units/problem.h"

namespace rebite::scan {

// Where the reflectance of a pixel came from, best first (design.md, computation 1).
enum class ToneSource { scanner_curve, icc_profile, file_gamma, srgb_assumed };

struct ScanInfo {
  std::filesystem::path file;
  int width_px = 0;   // after the orientation tag is applied
  int height_px = 0;
  int bits = 8;       // per sample, 8 or 16
  int channels = 1;   // 1 grey, 3 RGB (an opaque alpha is dropped)
  std::string format; // "TIFF", "PNG", "JPEG"
  int orientation = 1;               // the tag, already applied
  std::optional<PxPerMm> x;          // resolution along x after orientation; none if untagged
  std::optional<PxPerMm> y;
  std::string profile;               // description of the embedded ICC profile, "" if none
  ToneSource tone = ToneSource::srgb_assumed;
  double clipped_high = 0;           // share of pixels at the top code, 0..1
  double clipped_low = 0;            // share at code 0
};

}  // namespace rebite::scan

// File -> upright float picture with what the file says of itself. No paper white yet.
#pragma once

#include <filesystem>
#include <opencv2/core.hpp>
#include <string>

#include "scan/code_census.h"
#include "scan/density_image.h"
#include "scan/tone_table.h"
#include "units/progress.h"

namespace rebite::scan {

struct LoadOptions {
  double dpi = 0;
  bool resolution_needed = true;
  const ScannerCurve* scanner = nullptr;
  double max_megapixels = 250;
  ToneWay way = ToneWay::reflectance;
};

struct Loaded {
  cv::Mat1f values;  // absolute reflectance, or codes 0..1 (ToneWay::codes); orientation applied
  ScanInfo info;
  ToneDoubt doubt;
  Notes notes;
};

// One pass over the file, strip by strip: memory is width * height * 4 bytes and one strip.
Result<Loaded> load(const std::filesystem::path& file, const LoadOptions&, const Progress& = {});

// The resolution of a scan from its tags and what the user said, in dots per inch; 0 = none.
// Tags of 0, NaN, below 20 or above 20000 dpi count as missing, with a note; 72 and 96 dpi are kept
// with a note that they are likely a default, and give way to what the user said.
struct Resolution {
  double x = 0, y = 0;
  Notes notes;
};
Resolution resolution_of(const FileFacts& facts, double user_dpi);

// Refuses (usage) a user resolution outside 20..20000 dpi; 0 is "not given".
Result<void> check_user_dpi(double dpi);

// Facts as ScanInfo: sizes, resolution and orientation turned upright.
ScanInfo info_of(const std::filesystem::path& file, const FileFacts& facts, const Resolution&);

}  // namespace rebite::scan

// File -> reflectance relative to paper. 8/16-bit TIFF, PNG, JPEG.
#pragma once

#include <filesystem>
#include <optional>

#include "scan/density_image.h"
#include "scan/scanner_curve.h"
#include "units/progress.h"

namespace rebite::scan {

struct ReadOptions {
  double dpi = 0;                          // used where the file has none; 0 = not given
  bool resolution_needed = true;           // refuse a scan that has none and no dpi
  const ScannerCurve* scanner = nullptr;   // overrides profile and gamma
  const std::filesystem::path* blank = nullptr;  // a scan of a blank sheet, for unevenness
  double max_megapixels = 250;
  // Paper white. true: fit the bare sheet as a smooth field and divide by it. false: reflectance is
  // left absolute (spot readings on a grey scale).
  bool relative_to_paper = true;
};

// Refuses: missing (no_input), not an image or a layout that is not read (data, with the cure).
Result<DensityImage> read_scan(const std::filesystem::path& file, const ReadOptions&,
                               const Progress& = {});

// Only the header.
Result<ScanInfo> read_scan_info(const std::filesystem::path& file);

}  // namespace rebite::scan

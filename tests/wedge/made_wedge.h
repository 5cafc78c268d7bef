// Wedges from the plate maker, through a file and the scan room, as the program would see them.
#pragma once

#include <unistd.h>

#include <algorithm>
#include <filesystem>
#include <stdexcept>
#include <string>

#include "scan/read_scan.h"
#include "tests/support/plate_maker.h"
#include "wedge/read_wedge.h"

namespace rebite::wedge {

inline scan::DensityImage through_a_file(const maker::MadeScan& made,
                                         const scan::ScannerCurve* scanner = nullptr) {
  const auto file = std::filesystem::temp_directory_path() /
                    ("rebite-wedge-" + std::to_string(::getpid()) + ".tif");
  maker::write_scan(made, file.string());
  scan::ReadOptions options;
  options.scanner = scanner;
  auto image = scan::read_scan(file, options);
  std::filesystem::remove(file);
  if (!image) throw std::runtime_error(image.error().what);
  return *image;
}

inline std::vector<BiteTime> minutes_list(const std::vector<double>& minutes) {
  std::vector<BiteTime> out;
  for (const double m : minutes) out.push_back(BiteTime::minutes(m));
  return out;
}

inline Result<std::vector<WedgeStep>> read_made(const maker::MadeScan& made,
                                                const std::vector<double>& minutes,
                                                const scan::ScannerCurve* scanner = nullptr,
                                                std::optional<cv::Rect2d> window = {}) {
  const scan::DensityImage image = through_a_file(made, scanner);
  FindOptions options;
  options.steps = static_cast<int>(minutes.size());
  options.unbitten = std::find(minutes.begin(), minutes.end(), 0.0) != minutes.end();
  options.window_mm = window;
  auto found = find_steps(image, options);
  if (!found) return std::unexpected(found.error());
  return steps_in_time({*found}, minutes_list(minutes));
}

}  // namespace rebite::wedge

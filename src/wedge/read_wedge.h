// Wedge scans -> steps -> batch.
#pragma once

#include <filesystem>
#include <opencv2/core.hpp>
#include <vector>

#include "scan/density_image.h"
#include "wedge/tone_curve.h"

namespace rebite::wedge {

struct FindOptions {
  int steps = 0;         // how many steps were bitten, 3..30 (0-minute step included)
  double trim_mm = 1.5;  // left out along each step edge
  std::optional<cv::Rect2d> window_mm;  // where the wedge lies, mm from the scan's top-left corner
};

// A step as found on one impression, in scan pixels.
struct FoundStep {
  std::array<cv::Point2f, 4> corners_px;  // trimmed quadrilateral that was measured
  scan::TonePatch tone;
};

// The steps in order of place along the wedge (not yet in order of time).
// Refuses: fewer or other edges than steps, no wedge at all.
Result<std::vector<FoundStep>> find_steps(const scan::DensityImage& wedge, const FindOptions&);

// Pairs steps with times (either direction along the wedge), pools impressions, checks the order
// (isotonic, names steps out of order), and returns them in order of time.
Result<std::vector<WedgeStep>> steps_in_time(const std::vector<std::vector<FoundStep>>& impressions,
                                             const std::vector<BiteTime>& times);

}  // namespace rebite::wedge

// Pairs of points placed by hand: a start, and a constraint on the fit.
#pragma once

#include <vector>

#include "align/align_pair.h"
#include "align/robust_fit.h"
#include "align/spline_warp.h"

namespace rebite::align {

constexpr double kPinSdMm = 0.25;  // a hand places a pin to about 3 px at 300 dpi

// Affine through the pins by least squares; projective where that leaves more than 1.5 mm and there
// are five pins or more. Refuses: fewer than four pins, pins on one line, and of six or more the one
// that lies 3 mm off where all others agree.
Result<cv::Matx33d> map_from_pins(const std::vector<PinPair>& pins,
                                  const ScanScale& proof,
                                  const ScanScale& drawing);

// The pins as displacements about `start`, not to be doubted by the robust fit.
std::vector<Measured> pins_as_data(const std::vector<PinPair>& pins,
                                   const cv::Matx33d& start,
                                   const ScanScale& proof,
                                   const ScanScale& drawing);

}  // namespace rebite::align

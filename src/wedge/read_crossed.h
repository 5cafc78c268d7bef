// Scans of a crossed wedge -> the overlap rule of a fresh ground.
#pragma once

#include <opencv2/core.hpp>
#include <optional>
#include <vector>

#include "scan/density_image.h"
#include "wedge/crossed_wedge.h"

namespace rebite::wedge {

struct CrossedTimes {
  // Totals through either ground, in the order of the strips (either end first); 0 = not bitten.
  std::vector<BiteTime> first, second;
};

// One scan, read in one way: which axis of the grid is which ground's, and from which end.
struct CrossedReading {
  CrossedGrid grid;     // sd of a cell: grain only
  double disorder = 0;  // rms by which longer is not darker, log10 units
};

// The grid of patches on one scan, at any turn: strips of the two grounds at right angles,
// touching, of about equal width (half to twice the mean), on unbitten metal or out to the plate's
// edge. A cell is measured 1.5 mm inside its borders. The readings that agree with "longer is
// darker", best first: one where the numbers of strips tell the two grounds apart, two where they
// are equal. Refuses (data): no grid, other numbers of strips than times (both told), uneven cells,
// tones that do not follow the times; (usage) fewer than 2 or more than 12 strips, times that
// repeat.
Result<std::vector<CrossedReading>> read_crossed(const scan::DensityImage& scan,
                                                 const CrossedTimes& times,
                                                 const std::optional<cv::Rect2d>& window_mm = {});

struct MeasuredOverlap {
  OverlapRule rule;
  CrossedGrid grid;  // mean of the impressions, sd with their spread
  Notes notes;
};

// The rule from one or more impressions of a crossed wedge bitten in the batch of `curve`.
// Where the numbers of strips are equal the ground whose lone strips follow the curve is the first;
// where that is in doubt the sd holds both readings and a note says so. `print_sd`: spread from
// print to print, 1 sd, used where there is one impression only. Refuses what read_crossed and
// fit_overlap refuse.
Result<MeasuredOverlap> measure_overlap(const std::vector<scan::DensityImage>& scans,
                                        const CrossedTimes& times,
                                        const ToneCurve& curve,
                                        Density solid,
                                        double print_sd,
                                        const std::optional<cv::Rect2d>& window_mm = {});

}  // namespace rebite::wedge

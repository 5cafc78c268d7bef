// Wedge scans -> steps -> batch.
#pragma once

#include <array>
#include <filesystem>
#include <opencv2/core.hpp>
#include <optional>
#include <vector>

#include "scan/density_image.h"
#include "wedge/tone_curve.h"
#include "wedge/wiping.h"

namespace rebite::wedge {

struct FindOptions {
  int steps = 0;          // how many steps were bitten, 3..30 (0-minute step included)
  bool unbitten = false;  // one of them has the time 0: it looks like the metal beside it
  double trim_mm = 1.5;   // left out along each step edge (less on steps under 6 mm)
  std::optional<cv::Rect2d> window_mm;  // where the wedge lies, mm from the scan's top-left corner
};

// A step as found on one impression, in scan pixels.
struct FoundStep {
  std::array<cv::Point2f, 4> corners_px;  // trimmed quadrilateral that was measured
  scan::TonePatch tone;
  int row = 0, column = 0;  // place in the wedge: one or two rows
  cv::Point2d centre_mm;    // from the scan's top-left corner
  // What nineteen of twenty spots of 0.2 mm are lighter than: in a dark step full ink, where the
  // mean still holds specks of land, and a single pixel at a high resolution the ink's own grain.
  Density darkest_spots = Density::of(0);
  double trimmed_mm = 0;  // left out along each of its edges
  bool seen = true;       // false: cannot be told from the unbitten metal beside it
  // What the metal beside the wedge prints there (the darker side); none where only paper shows.
  std::optional<Density> metal;
  double metal_grain_sd = 0;  // of the lightest step: scatter of single pixels of that metal
};

// The steps in order of place along the wedge, row by row (not yet in order of time).
//
// The scan is turned until its strongest edges lie upright; one or two rows of equal cells are
// fitted to the dark part, touching or apart, along either axis. The light steps may lie past the
// dark part, down to steps that look like the unbitten metal round the wedge: their place follows
// from the equal width of all. Refuses (data): no wedge at all (blank sheet, a picture),
// another number of steps than asked for (both numbers told), a window outside the scan; (usage)
// steps outside 3..30.
// What cannot be known: whether a row goes on with one more step that looks like unbitten metal.
// make_batch notes it where a bitten step does.
Result<std::vector<FoundStep>> find_steps(const scan::DensityImage& wedge, const FindOptions&);

// Pairs steps with times and pools impressions. `times` are in the order of the steps along the
// wedge; which end is the first, and for two rows which row and which way each runs, is told by the
// tone: of these orders the one in which longer is darker. Returns steps in order of time.
//   density: mean over impressions, which may lie either way up; between_sd: spread between them;
//   sd: standard error from that spread, steadied over the steps and by print_spread_of (wiping.h),
//   and the grain; wiping_sd: the spread's part of sd.
// Refuses (data): impressions of different numbers of steps, other times than steps (both told), a
// step that could not be measured, steps out of order beyond their noise (named).
Result<std::vector<WedgeStep>> steps_in_time(const std::vector<std::vector<FoundStep>>& impressions,
                                             const std::vector<BiteTime>& times);
// The same with where each lies on the first impression.
struct PlacedSteps {
  std::vector<WedgeStep> steps;
  StepPlaces places_mm;
  double seen_spread = 0;  // between impressions as seen, root mean square over the steps, D
  PrintSpread spread;      // print_spread_of it
  std::vector<double> strays;  // per impression: rms of its steps about the mean of all, D
};
Result<PlacedSteps> placed_steps_in_time(const std::vector<std::vector<FoundStep>>& impressions,
                                         const std::vector<BiteTime>& times);

}  // namespace rebite::wedge

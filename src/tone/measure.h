// What each region measures, at full resolution.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "scan/density_image.h"
#include "tone/cells.h"
#include "tone/inking.h"
#include "tone/regions.h"

namespace rebite::tone {

struct MeasureInput {
  cv::Mat1f proof;               // full grid, reflectance
  cv::Mat1f drawing;             // inking taken off
  cv::Mat1b usable;              // 255: counts; the bevel does not
  cv::Mat1b unseen;              // 255: inside the plate but not seen by the alignment
  cv::Mat1i labels;              // 0..count-1, -1 = none
  std::vector<RegionKind> kind;  // by label
  double px_per_mm = 8;
  const Cells* cells = nullptr;
  const InkingFit* inking = nullptr;
  scan::ToneDoubt doubt;
};

// Mean reflectances over the region's core: its edges are trimmed by the alignment error and the
// softness of painted edges, as far as the region's width allows; lines by their inner half.
//
// The inking fit counts as far as it shows through paint (field_through_paint).
//
// gap_sd adds in squares: grain (of the gap, from its scatter, over the core), what wiping left
// (the noise floor), the doubt of the inking fit at this place, the tone calibration (its floor
// once, its relative part on the gap), and alignment (mean gradient of the proof's tone times its
// error). offset_sd is what offset_doubt puts in, as far as it shows. Regions come in the order of
// labels, ids not set.
std::vector<Region> measure_regions(const MeasureInput& in);

}  // namespace rebite::tone

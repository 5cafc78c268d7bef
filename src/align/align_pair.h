// Proof onto drawing.
#pragma once

#include "align/alignment.h"
#include "scan/density_image.h"
#include "units/progress.h"

namespace rebite::align {

struct PinPair {
  cv::Point2d proof_px, drawing_px;
};

struct AlignOptions {
  std::optional<SizeMm> plate;  // checked against the plate mark (5 %), sets print-view mm
  bool allow_mirrored = true;   // align reports it; plan refuses unless told --mirrored
  std::vector<PinPair> pins;    // by hand: start and constraint, 4 or more
  int threads = 2;
};

// Refuses (data): not the same plate, plate size contradicted, too little in common.
// Without resolution in either scan it works in pixels and `error` stays empty.
Result<Alignment> align_pair(const scan::DensityImage& proof,
                             const scan::DensityImage& drawing,
                             const AlignOptions&,
                             const Progress& = {});

// The plate mark alone (wedge plates, one scan).
Result<PlateMark> find_plate_mark(const scan::DensityImage& scan, std::optional<SizeMm> plate);

}  // namespace rebite::align

// Both impressions brought into the plate's own frame.
#pragma once

#include <opencv2/core.hpp>

#include "align/alignment.h"
#include "scan/density_image.h"

namespace rebite::align {

// Print view, pixel (i, j) has its centre at ((i + 0.5) / px_per_mm, (j + 0.5) / px_per_mm) mm.
struct PlateGrid {
  SizeMm plate;
  double px_per_mm = 0;
  int cols() const;  // ceil(width * px_per_mm), at least 1
  int rows() const;
};

// Same size, all in the grid. Relative reflectances (1 = paper); NaN where a scan does not reach.
struct PlatePair {
  PlateGrid grid;
  cv::Mat1f proof;
  cv::Mat1f drawing;
  cv::Mat1b tile_class;  // TileClass values
  cv::Mat1f sigma_mm;    // alignment error, one sd
};

// Area-averaging in reflectance (no aliasing of grain). `alignment.plate` must be set.
PlatePair to_plate(const scan::DensityImage& proof,
                   const scan::DensityImage& drawing,
                   const Alignment& alignment,
                   PlateGrid grid);

}  // namespace rebite::align

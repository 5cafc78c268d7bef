// Pictures in the plate's frame as JPEG tiles, coarse to fine, for pictures too large to be sent
// whole.
#pragma once

#include <filesystem>
#include <functional>
#include <opencv2/core.hpp>
#include <vector>

#include "align/alignment.h"
#include "units/progress.h"

namespace rebite::jobs {

// `tile` px each side; the coarsest level is one tile. Pixel (i, j) as in align::PlateGrid.
struct TileLevel {
  double px_per_mm = 0;
  int width = 0, height = 0, tile = 0;
  int columns() const { return (width + tile - 1) / tile; }
  int rows() const { return (height + tile - 1) / tile; }
};
// Levels of a plate whose scans have this resolution: halves, down to at most 1,600 px.
std::vector<TileLevel> tile_levels(SizeMm plate, double px_per_mm);

// Where a tile lies in a pyramid's folder.
std::filesystem::path tile_file(const std::filesystem::path& folder, int level, int col, int row);

// A scan seen from the plate: plate mm (print view) to scan pixels.
using PlateToScan = std::function<cv::Point2d(PlateMm)>;

// Writes all levels of one scan (relative reflectances) into the folder, strip by strip: beside the
// scan, memory is a strip and a picture of half the size. The folder is a new one that is put in
// place later (files::put_whole_folder). Refused: a full or failing disk; stopped.
Result<void> write_pyramid(const cv::Mat1f& scan,
                           const PlateToScan& place,
                           const std::vector<TileLevel>& levels,
                           const std::filesystem::path& folder,
                           const Progress& progress = {});

// The grey codes of one tile as written. Empty: there is none.
cv::Mat1b read_tile(const std::filesystem::path& folder, int level, int col, int row);

}  // namespace rebite::jobs

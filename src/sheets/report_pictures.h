// Pictures of the report: the layers that a viewer can compare, as data URIs.
#pragma once

#include <nlohmann/json_fwd.hpp>
#include <string>
#include <vector>

#include "sheets/sheet_content.h"

namespace rebite::sheets {

// One resolution of a layer. Tiles row by row, `tile` px each side (the last ones smaller).
struct PictureLevel {
  double px_per_mm = 0;
  int width = 0, height = 0, tile = 0;
  std::vector<std::string> tiles;  // data URIs
};

struct PictureLayer {
  std::string id, name, about;
  std::vector<PictureLevel> levels;  // coarse to fine
};

struct PictureBudget {
  int overview_px = 1600;                 // longest side of the level that is seen at once
  std::size_t detail_bytes = 12'500'000;  // of all full-detail tiles together, as JPEG
  int tile = 1024;
};

// proof, drawing, next (JPEG); gap, alignment (PNG with few colours, legend below).
std::vector<PictureLayer> picture_layers(const SheetContent& c, const PictureBudget& = {});

// What the colours of the signed gap map and of the alignment error map mean: colour "#rrggbb" and
// words, in the order of a legend.
std::vector<std::pair<std::string, std::string>> gap_legend();
std::vector<std::pair<std::string, std::string>> alignment_legend(Units units);

}  // namespace rebite::sheets

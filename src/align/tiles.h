// The record of how well each part of the proof is known.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "align/alignment.h"

namespace rebite::align {

// Finds the tile under a place. Tiles lie row by row, all of one size (see Alignment::tiles).
class TileLookup {
 public:
  explicit TileLookup(const std::vector<Tile>& tiles);
  const Tile* at(cv::Point2d proof_px) const;  // null outside the tiled area

 private:
  const std::vector<Tile>& tiles_;
  int across_ = 0;
};

}  // namespace rebite::align

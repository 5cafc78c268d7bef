// The record of how well each part of the proof is known.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "align/alignment.h"
#include "align/robust_fit.h"
#include "align/self_check.h"
#include "align/spline_warp.h"

namespace rebite::align {

struct TileRule {
  double side_mm = 5;
  double held_error_mm = 0.1;      // 2.45 sigma (95 % of a 2-D normal) below this ...
  double held_within_mm = 8;       // ... and an accepted patch this near: held
  double inferred_error_mm = 0.3;  // 2.45 sigma below this: inferred; above: unseen
};

// Tiles row by row over `area_mm` of the proof.
std::vector<Tile> make_tiles(const cv::Rect2d& area_mm,
                             const ScanScale& proof,
                             const std::vector<Measured>& data,
                             const SigmaMap& sigma,
                             const TileRule& rule);

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

#include "align/tiles.h"

#include <algorithm>
#include <cmath>

namespace rebite::align {

std::vector<Tile> make_tiles(const cv::Rect2d& area,
                             const ScanScale& proof,
                             const std::vector<Measured>& data,
                             const SigmaMap& sigma,
                             const TileRule& rule) {
  const int nx = std::max(1, static_cast<int>(std::ceil(area.width / rule.side_mm)));
  const int ny = std::max(1, static_cast<int>(std::ceil(area.height / rule.side_mm)));
  const NearestMatch nearest_of(data);
  std::vector<Tile> tiles;
  const cv::Point2d origin = proof.px(area.tl());
  const cv::Size2d size(rule.side_mm * proof.x, rule.side_mm * proof.y);
  for (int j = 0; j < ny; ++j)
    for (int i = 0; i < nx; ++i) {
      Tile tile;
      tile.proof_px = {
          origin.x + i * size.width, origin.y + j * size.height, size.width, size.height};
      const cv::Point2d middle(area.x + (i + 0.5) * rule.side_mm,
                               area.y + (j + 0.5) * rule.side_mm);
      const double nearest = nearest_of(middle);
      tile.nearest_match_mm = nearest;
      tile.sigma_mm = sigma.at(middle);
      const double error = 2.45 * tile.sigma_mm;
      if (error < rule.held_error_mm && nearest <= rule.held_within_mm)
        tile.kind = TileClass::held;
      else if (error < rule.inferred_error_mm)
        tile.kind = TileClass::inferred;
      tiles.push_back(tile);
    }
  return tiles;
}

TileLookup::TileLookup(const std::vector<Tile>& tiles) : tiles_(tiles) {
  while (across_ < static_cast<int>(tiles.size()) &&
         tiles[static_cast<std::size_t>(across_)].proof_px.y == tiles[0].proof_px.y)
    ++across_;
}

const Tile* TileLookup::at(cv::Point2d proof_px) const {
  if (across_ == 0) return nullptr;
  const cv::Rect2d& first = tiles_[0].proof_px;
  const double i = std::floor((proof_px.x - first.x) / first.width);
  const double j = std::floor((proof_px.y - first.y) / first.height);
  if (!(i >= 0 && i < across_ && j >= 0)) return nullptr;
  const double k = j * across_ + i;
  return k < static_cast<double>(tiles_.size()) ? &tiles_[static_cast<std::size_t>(k)] : nullptr;
}

}  // namespace rebite::align

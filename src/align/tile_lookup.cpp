#include <cmath>

#include "align/tiles.h"

namespace rebite::align {

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

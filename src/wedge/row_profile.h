// The tone along a row of cells, averaged across it.
#pragma once

#include <vector>

#include "wedge/wedge_frame.h"

namespace rebite::wedge {

// So far the working picture's blur makes neighbouring pixels err together.
inline constexpr double shared_mm = 1.8;

class RowProfile {
 public:
  // Along y (or x) of the frame; `begin` to `end` across it, frame pixels.
  RowProfile(const WedgeFrame& frame, bool along_y, double begin, double end);

  // What is left of the tone's squares between two places about its mean and a gentle slope (which
  // wiping gives a step of one bite, too). n below 0: the place leaves the scan.
  struct Scatter {
    double n = 0, squares = 0;
  };
  Scatter over(double from, double to) const;

 private:
  int size_ = 0;
  double hold_ = 0;
  std::vector<double> n_, x_, xx_, y_, xy_, yy_, missing_;  // sums up to a place
};

}  // namespace rebite::wedge

// Where the regions' numbers stand: inside the region where they fit, else beside it with a leader.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "units/lengths.h"

namespace rebite::sheets {

struct LabelPlace {
  int id = 0;
  PlateMm at;           // the middle of the number, print view
  double size_mm = 0;   // height of the letters' em
  bool leader = false;  // stands outside: a line leads to `anchor`
  PlateMm anchor;       // a point inside the region, as far from its border as there is
  // The box that the number takes, about `at`.
  double width_mm = 0, height_mm = 0;
};

struct LabelOptions {
  double size_mm = 5;         // wanted em
  double smallest_mm = 2.5;   // smallest em inside a region before a leader is used; half
                              // of it before the number is sent far away
  double leader_mm = 3.2;     // em of numbers that stand outside
  double pad_mm = 0.5;        // free space round a number
  double digit_em = 0.696;    // advance of a digit (DejaVu Sans Bold)
  double capital_em = 0.729;  // height of a digit
};

// One place per id of `ids` that occurs in `labels`. No two boxes overlap; leaders do not run over
// numbers. A region whose number finds no free place on the plate is left out (the caller says so).
// Places are the same in both views: mirror `at` and `anchor`, never the text.
std::vector<LabelPlace> label_places(const cv::Mat1w& labels,
                                     double px_per_mm,
                                     SizeMm plate,
                                     const std::vector<int>& ids,
                                     const LabelOptions& = {});

}  // namespace rebite::sheets

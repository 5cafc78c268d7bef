// Region outlines as closed paths in plate millimetres (print view), from the label picture.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "units/lengths.h"

namespace rebite::sheets {

// Closed (the last point joins the first, which is not repeated). Outer rings run clockwise as seen
// (x right, y down), holes the other way, so both fill rules agree.
using Ring = std::vector<PlateMm>;

struct Outline {
  int id = 0;               // the label; 0 is hold
  std::vector<Ring> rings;  // of all its pieces
};

struct OutlineOptions {
  double smooth_px = 2.0;      // how far along the border the stairs of the pixels are evened out
  double tolerance_mm = 0.05;  // of the simplification (Douglas & Peucker 1973)
};

// One outline per label that occurs, sorted by id, hold (0) included.
//
// The border is cut where three areas meet; each piece between two such points is smoothed and
// simplified by itself, ends fixed, always in the same direction: the two neighbours of a border
// get exactly the same points, without gap or overlap. Smoothing is a Gaussian along the border
// applied twice over (2g - g*g), which keeps small round regions from shrinking; four times as long
// where the line then still follows the pixels (shallow slants have long stairs). Borders that lie
// on the plate's edge stay on it; the label picture may reach a part of a pixel past the plate and
// is cut there. Pieces that touch only at a corner are separate rings.
std::vector<Outline> outlines(const cv::Mat1w& labels,
                              double px_per_mm,
                              SizeMm plate,
                              const OutlineOptions& = {});

// What of the outlines lies in a box, low corner to high one: a page that shows a part of the plate
// need not carry the rest. Where the box cuts through a ring, the ring runs on along the box's
// edge, so its area within stays and its edge no longer is a border only: leave room around what is
// shown. Rings and outlines of which nothing is left are not in the answer. (Each edge of the box
// in turn: I. Sutherland, G. Hodgman, Comm. ACM 17, 32, 1974.)
std::vector<Outline> cut_to_box(const std::vector<Outline>& outlines, PlateMm low, PlateMm high);

}  // namespace rebite::sheets

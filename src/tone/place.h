// Where a region lies, how wide it is and how far it stretches.
#pragma once

#include <opencv2/core.hpp>

#include "tone/regions.h"

namespace rebite::tone {

// Sets of `region`, in mm:
//   centre, width_mm: middle and diameter of the largest circle that fits in (the pole of
//     inaccessibility). The plate's edge bounds a region too.
//   mean_distance_mm: geometric mean distance of two of its places, over 256 of its pixels (within
//     some 3 %). J. C. Maxwell, A Treatise on Electricity and Magnetism, 1873, sections 691-692: of
//     a rectangle 0.2235 times its two sides, of a disc exp(-1/4) times its radius.
// `here` is 255 where the region lies and 0 elsewhere, over `box` of a picture with `px_per_mm`.
void place(const cv::Mat1b& here, cv::Rect box, double px_per_mm, Region& region);

}  // namespace rebite::tone

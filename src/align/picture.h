// The match as a picture that can be judged at a glance.
#pragma once

#include <opencv2/core.hpp>

#include "align/alignment.h"
#include "scan/density_image.h"

namespace rebite::align {

// RGB, 8 bit. Left: the proof's plate area with every second square (10 mm) shown from the drawing,
// tinted warm: lines must run on across the squares. Right: the estimated error, green where held,
// amber where inferred, red stripes where not seen, over the proof in grey. `width_px` of the
// whole.
cv::Mat alignment_picture(const scan::DensityImage& proof,
                          const scan::DensityImage& drawing,
                          const Alignment& alignment,
                          int width_px = 1800);

}  // namespace rebite::align

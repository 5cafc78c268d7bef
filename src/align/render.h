// The drawing as the map says it lies on the proof.
#pragma once

#include <opencv2/core.hpp>

#include "align/spline_warp.h"

namespace rebite::align {

// A picture of the drawing with its scale: place mm lies at mm * px_per_mm - 0.5.
struct RenderSource {
  const cv::Mat1f& picture;
  double px_per_mm;
};

// The picture seen through the map, on the proof's pixels of px_per_mm (`size` of them): bicubic
// (Catmull-Rom) at exact places, because cv::remap moves by steps of 1/32 px (alignment.md,
// hazard 7). Outside the drawing 0; `inside` (may be null) gets 255 where it is inside.
cv::Mat1f render_on_proof(const RenderSource& drawing,
                          const SmoothMap& map,
                          double px_per_mm,
                          cv::Size size,
                          int threads,
                          cv::Mat1b* inside = nullptr);

}  // namespace rebite::align

// Between pixels of a level and measured displacements in millimetres.
#pragma once

#include <opencv2/core.hpp>

#include "align/patches.h"
#include "align/robust_fit.h"
#include "align/spline_warp.h"

namespace rebite::align {

// The odd whole number next to `px`, at least 9.
int odd_pixels(double px);

// Box in mm -> pixels of a level.
cv::Rect pixel_box(const cv::Rect2d& box_mm, double px_per_mm);

// A drawing's mask seen through the map on the proof's pixels (nearest pixel).
cv::Mat1b mask_on_proof(const cv::Mat1b& drawing_mask,
                        double drawing_px_per_mm,
                        const SmoothMap& map,
                        double proof_px_per_mm,
                        cv::Size size,
                        int threads);

// A match against the drawing as rendered through `map`: a measured displacement of the sheet.
Measured measured(const PatchMatch& match,
                  double px_per_mm,
                  const SmoothMap& map,
                  const PatchRule& rule,
                  int set);

}  // namespace rebite::align

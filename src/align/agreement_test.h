// The one test that every guess must pass: how many coarse patches agree with one stiff sheet.
#pragma once

#include <opencv2/core.hpp>

#include "align/spline_warp.h"
#include "align/work_image.h"

namespace rebite::align {

// What of a level is picture: inside the plate mark (its rim left out, because every print has
// one) or, without a mark, everything known. 255 = picture.
struct PictureArea {
  cv::Mat1b mask;
  cv::Rect2d box_mm;
};

struct CoarseRule {
  double patch_mm = 14, step_mm = 7, reach_mm = 4;
  double tolerance_mm = 0.5;
  double least_rho = 0.1, least_z = 3.5;
  double pull = 0;
};

struct Agreement {
  double share = 0;  // of the patches tried, 0..1
  int agreeing = 0, tried = 0;
  bool grain = false;  // it is grain that agrees (told by the caller)
  SmoothMap map;       // the guess, bent to what agreed
};

// A locally normalised picture of a scan (grain or form of a level) and what of it is picture.
struct CoarseView {
  const cv::Mat1f& picture;
  double px_per_mm;
  const PictureArea& area;
};

// A guess of the right plate gives 0.4-1, of any other turn, mirror or plate below 0.1
// (alignment.md, section 4).
Agreement test_agreement(const CoarseView& proof,
                         const CoarseView& drawing,
                         const SmoothMap& guess,
                         const CoarseRule& rule,
                         int threads);

}  // namespace rebite::align

// Matching small patches of the two scans: shift, how sure in which direction, accepted or not.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

namespace rebite::align {

struct PatchRule {
  int side_px = 51;              // odd
  int step_px = 35;              // between patch centres
  int reach_px = 6;              // search +- this
  double least_rho = 0.15;       // correlation of the peak
  double least_usable = 0.9;     // share of the patch's pixels that must be usable
  double least_variance = 0.05;  // of locally normalised density, to count as structured
  double pull = 0;       // taken from rho at the end of the reach, so that along a lone line,
                         // where all shifts are alike, the smallest is chosen
  double least_z = 4.5;  // peak above the rest of its own surface, in its sd
};

// One matched patch. Pixels of the level it was matched in, proof frame.
struct PatchMatch {
  cv::Point2d centre;  // of the patch
  cv::Point2d seat;    // middle of the structure that the two share: the shift is that place's
  cv::Point2d shift;   // proof structure at `seat` is found in the rendered drawing at + shift
  cv::Matx22d info;    // inverse covariance of shift, 1/px^2, before calibration
  double rho = 0;
  double z = 0;
  int directions = 2;       // in which the shift is known: 1 on a lone line or edge
  bool structured = false;  // both pictures show something here
  bool accepted = false;
};

// Matches patches of `proof` in `drawing` (both locally normalised, on the same pixels), centres on
// a grid inside `area` (pixels). Patches with less than 90 % of their pixels in `usable` (255 =
// both pictures known and wanted) are not tried and not in the answer.
//
// Peak of the zero-mean normalised cross-correlation, 3 x 3 quadratic sub-pixel. Information:
// H S^-1 H with H the curvature of the peak (structure the two share) and S = (1 - rho^2) x the
// gradient energy of both, over the patch's pixels: for a common pattern with independent noise
// this is the law sd = sqrt(2) noise / sqrt(sum of squared gradients) of digital image correlation
// (Pan, Xie, Wang, Qian, Wang, Opt. Express 16, 7037, 2008), and it knows that a lone line fixes
// only the direction across it.
//
// The shift is a mean over the patch, each pixel weighed by the gradients that both pictures have
// there: it belongs to the middle of those (`seat`), not to the patch's. At the border of bare
// metal the two lie a millimetre apart.
std::vector<PatchMatch> match_patches(const cv::Mat1f& proof,
                                      const cv::Mat1f& drawing,
                                      const cv::Mat1b& usable,
                                      const PatchRule& rule,
                                      const cv::Rect& area,
                                      int threads);

// Measures the accepted matches again in a drawing that was rendered through a better map: only the
// 3 x 3 shifts about none are looked at, so this is cheap; repeated, it takes out what is left of
// the pull towards whole pixels. Matches that no longer peak there lose `accepted`.
void refine_matches(const cv::Mat1f& proof,
                    const cv::Mat1f& drawing,
                    const PatchRule& rule,
                    std::vector<PatchMatch>& matches,
                    int threads);

}  // namespace rebite::align

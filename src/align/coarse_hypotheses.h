// Guesses of how the drawing may lie on the proof: from features, and from the two plate marks.
#pragma once

#include <opencv2/core.hpp>
#include <optional>
#include <string>
#include <vector>

#include "align/plate_outline.h"
#include "align/work_image.h"

namespace rebite::align {

struct Hypothesis {
  cv::Matx33d map = cv::Matx33d::eye();  // proof mm -> drawing mm
  bool mirrored = false;
  int support = 0;       // matched features that agree; 0 for plate marks
  double scale() const;  // sqrt |det| of its linear part at the origin of `at`
  cv::Point2d at;        // proof mm, middle of what it was found on
};

// Local shape of a map: drawing mm per proof mm along the proof's x and y, and the angle.
struct MapShape {
  double scale_x = 1, scale_y = 1, rotation_deg = 0, skew = 0;
  bool mirrored = false;
};
MapShape shape_of(const cv::Matx22d& slope);

// SIFT features (Lowe, IJCV 60, 2004) of one level, plain and blurred by half a millimetre.
struct Features {
  struct Set {
    std::vector<cv::Point2f> px;
    cv::Mat descriptors;
  };
  Set plain, blurred;
};
// `flipped`: of the level seen in a mirror (places are those of the unmirrored level).
// `where`: 255 = look here; may be empty.
Features find_features(const Level& level, bool flipped, const cv::Mat1b& where);

// Matches with the ratio test, homography by MAGSAC (Barath et al., CVPR 2020, in OpenCV), then a
// least-squares affine map of the inliers where it explains them as well. Empty when too few agree.
std::vector<Hypothesis> feature_hypotheses(const Features& proof,
                                           const Features& drawing,
                                           double proof_px_per_mm,
                                           double drawing_px_per_mm,
                                           bool mirrored);

// Corners onto corners, four quarter turns; straight or mirrored.
std::vector<Hypothesis> outline_hypotheses(const Corners& proof,
                                           const Corners& drawing,
                                           bool mirrored);

// A projective map from matched points by MAGSAC, least squares on the inliers; `inliers` gets the
// number. Pixels or mm, tolerance in the same unit.
std::optional<cv::Matx33d> robust_homography(const std::vector<cv::Point2d>& from,
                                             const std::vector<cv::Point2d>& to,
                                             double tolerance,
                                             int* inliers);

}  // namespace rebite::align

// Strips that lie side by side across a picture: where one ends and the next begins.
#pragma once

#include <vector>

#include "wedge/wedge_frame.h"

namespace rebite::wedge {

inline constexpr int most_strips = 12;

// The borders of strips along one axis of the frame, frame pixels, ends included.
struct StripBorders {
  std::vector<double> at;
  // Of each inner border: the difference of tone (WedgeFrame::tone) across it, its mean size over
  // slices of 5 mm (other strips cross these: where those are dark a border hardly shows).
  std::vector<double> step;
  int count() const { return static_cast<int>(at.size()) - 1; }
  double faintest_step() const;
};

// `box` without the unbitten metal along its sides: where that was wiped less clean it counts as
// dark. A strip of the wedge is crossed by others and so changes along its length; metal does not.
cv::Rect without_metal(const WedgeFrame& frame, const cv::Rect& box);

// `box` of the frame cut into `count` strips (1..most_strips) along x (or y): the cuts that leave
// the least scatter of tone inside the strips, line by line across them (least squares segmentation
// by dynamic programme; Fisher, J. Amer. Statist. Assoc. 53 (1958) 789-798). No strip narrower than
// half or wider than twice the even share. Empty where the box has no room.
StripBorders cut_strips(const WedgeFrame& frame, const cv::Rect& box, bool along_y, int count);

// The largest number of strips, 1..most_strips, whose borders all show as a clear step of tone.
int count_strips(const WedgeFrame& frame, const cv::Rect& box, bool along_y);

}  // namespace rebite::wedge

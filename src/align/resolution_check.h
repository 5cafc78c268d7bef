// A wrong resolution tag, found by the scale between the two scans and named.
#pragma once

#include <optional>
#include <string>

#include "units/problem.h"

namespace rebite::align {

struct ScaleFinding {
  double scale_x = 1, scale_y = 1;  // drawing mm per proof mm, by the tags
  double proof_dpi = 0, drawing_dpi = 0;
  std::string proof_name, drawing_name;
  bool proof_confirmed = false;  // its plate mark measures what the plate does
  bool same_grain = false;       // both are impressions of the plate: no other scale possible
};

// The resolution that scanners and programs write that is nearest to `dpi`, if within 4 %.
std::optional<double> usual_resolution(double dpi);
// The same among those that flatbed scanners are set to (common practice, no source).
std::optional<double> scanner_resolution(double dpi);

// A refusal when the scale (outside 0.93..1.07) speaks of a wrong tag, or differs between across
// and down though it is right on the whole; a note when a drawing of its own may really be at
// another scale; nothing when the scale is the paper's.
struct ScaleVerdict {
  std::optional<Problem> problem;
  std::string note;
};
ScaleVerdict judge_scale(const ScaleFinding& found);

}  // namespace rebite::align

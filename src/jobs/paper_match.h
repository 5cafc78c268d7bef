// Were the scans of one job exposed alike? Their bare paper tells.
#pragma once

#include <string>
#include <vector>

#include "scan/density_image.h"
#include "units/problem.h"

namespace rebite::jobs {

// Bare paper as a scan's codes say it (absolute reflectance; 0: not known), and by how much the
// scanner's light changes over that scan ((max - min) / mean). Of a wedge's impressions: the mean of
// their paper, the most uneven of their light.
struct SeenPaper {
  std::string what;  // "the proof"
  double reflectance = 0;
  double unevenness = 0;
};
SeenPaper paper_of(std::string what, const scan::DensityImage& image);

// Sheets of one paper lie within this of each other (density); common practice, no source. A sheet
// that lies elsewhere on the platen gets other light: half of either unevenness comes on top.
inline constexpr double one_paper = 0.04;

// One note for each that differs from the first by more; with what to do.
Notes paper_notes(const std::vector<SeenPaper>& seen);

}  // namespace rebite::jobs

// Does the scanner software sharpen? Its mark is a halo along borders between two tones.
#pragma once

#include <vector>

#include "scan/find_greys.h"

namespace rebite::scan {

// By how much the codes overshoot along the borders of touching patches, as a share of the step
// there: the light side lighter and the dark side darker than their patches (the lesser of the
// two, since a light card showing between patches overshoots one way only). Median over the borders
// whose step is above 0.03 of full scale; 0 where there are fewer than three. A lens or a scan head
// only blurs: 0 but for noise.
double halo_share(const cv::Mat1f& codes, const std::vector<GreyReading>& row);

}  // namespace rebite::scan

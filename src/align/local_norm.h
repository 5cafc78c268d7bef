// Tone taken out, structure kept: what two impressions of one plate have in common at grain level.
#pragma once

#include <opencv2/core.hpp>

namespace rebite::align {

// (d - local mean) / sqrt(local variance + floor^2), mean and variance over a window of standard
// deviation `sigma_px` (a box filter applied twice), unknown pixels left out and given 0.
// `floor` (density) keeps bare paper from being blown up to look like grain.
cv::Mat1f locally_normalised(
    const cv::Mat1f& density, const cv::Mat1b& known, double sigma_px, double floor, int threads);

}  // namespace rebite::align

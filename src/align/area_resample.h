// Reducing a reflectance picture by exact area averaging.
#pragma once

#include <opencv2/core.hpp>

namespace rebite::align {

// Pixel (i, j) of the result is the mean of `source` over the rectangle of size step_x * step_y
// source pixels that starts at (i * step_x, j * step_y), counted from the outer edge of pixel 0.
// So a place x of the source lies at (x + 0.5) / step - 0.5 in the result: the scale is exact and
// the picture's size is what gives (alignment.md, hazard 6). NaN pixels are left out; a result
// with less than half of its area known is NaN. Needs step >= 1.
cv::Mat1f area_resample(const cv::Mat1f& source, double step_x, double step_y, int threads);

}  // namespace rebite::align

// Reads back the 16-bit label pictures that we write (regions.png).
#pragma once

#include <opencv2/core.hpp>
#include <string_view>

namespace rebite::scan {

// One-channel 16-bit PNG to its values, untouched by any gamma. Empty for anything else.
cv::Mat1w labels_from_png(std::string_view bytes);

}  // namespace rebite::scan

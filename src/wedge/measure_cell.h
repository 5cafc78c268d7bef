// One step of a wedge, measured on the scan itself.
#pragma once

#include <string>

#include "wedge/read_wedge.h"
#include "wedge/wedge_frame.h"

namespace rebite::wedge {

// `cell` in frame pixels, already trimmed. `mask` is scratch of the scan's size.
FoundStep measure_cell(const scan::DensityImage& scan,
                       const WedgeFrame& frame,
                       const cv::Rect2d& cell,
                       cv::Mat1b& mask);

// The scan's file name, for messages.
std::string scan_name(const scan::DensityImage& scan);

}  // namespace rebite::wedge

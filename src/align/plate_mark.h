// Plate mark on one scan, for the rest of the room.
#pragma once

#include <optional>

#include "align/alignment.h"
#include "align/plate_outline.h"
#include "align/work_image.h"

namespace rebite::align {

// Looks for the mark on levels already made. None: not to be seen.
std::optional<Outline> seek_outline(const cv::Mat1f& relative, ScanScale scale, int threads);

// Corners in the print's order. With a plate size: the turn by quarters that fits the size (5 %),
// then the one nearest to upright. `name` is the scan's file name for the message.
Result<PlateMark> oriented_mark(const Outline& outline,
                                WorkScale scale,
                                std::optional<SizeMm> plate,
                                const std::string& name);

// No mark seen: the plate is taken to lie centred at `centre_mm`, upright on the scan.
PlateMark assumed_mark(cv::Point2d centre_mm, SizeMm plate, ScanScale scale);

}  // namespace rebite::align

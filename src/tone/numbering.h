// Regions keep their numbers between runs.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

namespace rebite::tone {

// For each of the regions 0..count-1 of `labels` (full grid, -1 = none) its number, >= 1.
// Without `previous` (empty): by area, largest first. With: a region takes the number of the old
// region that it shares most area with, the largest shared areas first, if they share at least a
// third of the smaller of the two; each number once. New regions go on after the old numbers.
std::vector<int> number_regions(const cv::Mat1i& labels, int count, const cv::Mat1w& previous);

}  // namespace rebite::tone

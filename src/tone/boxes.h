// Where every label lies.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

namespace rebite::tone {

struct Box {
  cv::Rect rect;  // the least that holds the label; empty where there is none
  int cells = 0;  // that carry it
};

// Of the labels 0..count-1; others (-1: no part) are passed over.
std::vector<Box> boxes(const cv::Mat1i& labels, int count);

// The rectangle with `by` more on every side, as far as it lies in a picture of that size.
cv::Rect grown(cv::Rect r, int by, cv::Size size);

}  // namespace rebite::tone

// Sums over rectangles of a working picture, for the scatter inside steps.
#pragma once

#include <opencv2/core.hpp>

namespace rebite::wedge {

// Of a picture and its square, over the pixels that belong to the scan (`inside` 255).
class FrameSums {
 public:
  FrameSums(const cv::Mat1f& picture, const cv::Mat1b& inside);
  struct Part {
    double n = 0, sum = 0, square = 0;
    double area = 0;  // pixels of the rectangle; n is less where it reaches past the scan
    double mean() const { return n > 0 ? sum / n : 0; }
    // Sum of squares about the mean.
    double scatter() const;
  };
  // Whole pixels whose centres lie inside.
  Part over(const cv::Rect2d& r) const;

 private:
  cv::Size size_;
  cv::Mat1d sum_, square_, count_;
};

}  // namespace rebite::wedge

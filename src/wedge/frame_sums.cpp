#include "wedge/frame_sums.h"

#include <algorithm>
#include <opencv2/imgproc.hpp>

namespace rebite::wedge {

FrameSums::FrameSums(const cv::Mat1f& picture, const cv::Mat1b& inside) : size_(picture.size()) {
  cv::Mat1f p = picture.clone();
  p.setTo(0.F, ~inside);
  cv::Mat1f one;
  inside.convertTo(one, CV_32F, 1.0 / 255);
  cv::integral(p, sum_, square_, CV_64F, CV_64F);
  cv::integral(one, count_, CV_64F);
}

double FrameSums::Part::scatter() const {
  return n > 0 ? std::max(0.0, square - sum * sum / n) : 0;
}

FrameSums::Part FrameSums::over(const cv::Rect2d& r) const {
  const int x0 = std::clamp(cvCeil(r.x), 0, size_.width);
  const int y0 = std::clamp(cvCeil(r.y), 0, size_.height);
  const int x1 = std::clamp(cvCeil(r.x + r.width), x0, size_.width);
  const int y1 = std::clamp(cvCeil(r.y + r.height), y0, size_.height);
  const auto box = [&](const cv::Mat1d& m) {
    return m(y1, x1) - m(y0, x1) - m(y1, x0) + m(y0, x0);
  };
  const double wide = std::max(0, cvCeil(r.x + r.width) - cvCeil(r.x));
  const double high = std::max(0, cvCeil(r.y + r.height) - cvCeil(r.y));
  return {box(count_), box(sum_), box(square_), wide * high};
}

}  // namespace rebite::wedge

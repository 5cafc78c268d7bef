#include "align/local_norm.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

#include "align/parallel.h"

namespace rebite::align {
namespace {

// Two box filters of width w have variance (w^2 - 1) / 6.
int box_width(double sigma_px) {
  const int w = static_cast<int>(std::lround(std::sqrt(6 * sigma_px * sigma_px + 1)));
  return std::max(3, w | 1);
}

void smooth(cv::Mat1f& image, int width) {
  cv::boxFilter(image, image, CV_32F, {width, width}, {-1, -1}, true, cv::BORDER_REFLECT);
  cv::boxFilter(image, image, CV_32F, {width, width}, {-1, -1}, true, cv::BORDER_REFLECT);
}

}  // namespace

cv::Mat1f locally_normalised(
    const cv::Mat1f& density, const cv::Mat1b& known, double sigma_px, double floor, int threads) {
  const int width = box_width(sigma_px);
  const bool complete = cv::countNonZero(known) == static_cast<int>(known.total());
  cv::Mat1f mean = density.clone(), square;
  cv::multiply(density, density, square);
  in_parallel(2, threads, [&](int first, int last) {
    for (int k = first; k < last; ++k) smooth(k == 0 ? mean : square, width);
  });
  if (!complete) {
    // density is 0 where unknown, so dividing by the known share gives means over the known.
    cv::Mat1f share;
    known.convertTo(share, CV_32F, 1 / 255.0);
    smooth(share, width);
    cv::max(share, 1e-3F, share);
    mean /= share;
    square /= share;
  }
  cv::Mat1f result = square;  // in its place: on large scans each picture counts
  const float least = static_cast<float>(floor * floor);
  in_parallel(density.rows, threads, [&](int first, int last) {
    for (int y = first; y < last; ++y) {
      const float *d = density[y], *m = mean[y], *s = square[y];
      const unsigned char* k = known[y];
      float* r = result[y];
      for (int x = 0; x < density.cols; ++x) {
        const float variance = std::max(0.0F, s[x] - m[x] * m[x]);
        const float v = (d[x] - m[x]) / std::sqrt(variance + least);
        r[x] = k[x] ? v : 0.0F;
      }
    }
  });
  return result;
}

}  // namespace rebite::align

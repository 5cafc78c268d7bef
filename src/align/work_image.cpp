#include "align/work_image.h"

#include <algorithm>
#include <cassert>
#include <numbers>
#include <opencv2/core.hpp>

#include "align/area_resample.h"
#include "align/parallel.h"

namespace rebite::align {
namespace {
constexpr double kAssumedPxPerMm = 300 / 25.4;
constexpr float kDarkest = 0.003F;  // D 2.5: darker than any ink on paper, only noise beyond
constexpr float kLightest = 1.5F;
}  // namespace

WorkScale work_scale(const scan::ScanInfo& info) {
  if (info.x && info.y && info.x->value() > 0 && info.y->value() > 0)
    return {{info.x->value(), info.y->value()}, true};
  return {{kAssumedPxPerMm, kAssumedPxPerMm}, false};
}

Level make_level(const cv::Mat1f& relative, ScanScale scale, double px_per_mm, int threads) {
  assert(px_per_mm <= scale.x * 1.001 && px_per_mm <= scale.y * 1.001);
  Level level;
  level.px_per_mm = px_per_mm;
  const cv::Mat1f mean = area_resample(
      relative, std::max(1.0, scale.x / px_per_mm), std::max(1.0, scale.y / px_per_mm), threads);
  level.density.create(mean.size());
  level.known.create(mean.size());
  in_parallel(mean.rows, threads, [&](int first, int last) {
    for (int y = first; y < last; ++y) {
      const float* r = mean[y];
      unsigned char* known = level.known[y];
      for (int x = 0; x < mean.cols; ++x) {
        known[x] = r[x] == r[x] ? 255 : 0;
        level.density(y, x) = known[x] ? std::clamp(r[x], kDarkest, kLightest) : 1.0F;
      }
      // A row at a time: OpenCV's logarithm works on vectors and is right to 1e-5 of itself, the C
      // library's took a tenth of an alignment.
      cv::Mat1f row = level.density.row(y);
      cv::log(row, row);
      row *= -1 / std::numbers::ln10;
    }
  });
  return level;
}

}  // namespace rebite::align

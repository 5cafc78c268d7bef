#include "scan/density_image.h"

#include <cmath>
#include <limits>
#include <numbers>
#include <vector>

namespace rebite::scan {

double ToneDoubt::sd(Density d) const {
  return std::hypot(floor, relative * d.value(), carried_sd(d));
}

double ToneDoubt::carried_sd(Density d) const {
  if (carried_on <= 0 || !(d.value() > 0)) return 0;
  const double light = d.reflectance();
  return 0.25 * carried_on * (1 - light) / (light * std::numbers::ln10);  // dD = dR / (R ln 10)
}

TonePatch mean_tone(const cv::Mat1f& relative,
                    const cv::Rect& where,
                    const cv::Mat1b& mask,
                    int block_px) {
  struct Block {
    double sum = 0, n = 0;
  };
  const cv::Rect area = where & cv::Rect(0, 0, relative.cols, relative.rows);
  std::vector<Block> blocks;
  const int across = area.width / block_px + 1;
  blocks.resize(static_cast<std::size_t>(across) *
                static_cast<std::size_t>(area.height / block_px + 1));
  double sum = 0, squares = 0, n = 0;
  for (int y = 0; y < area.height; ++y) {
    const float* row = relative[area.y + y] + area.x;
    const unsigned char* use = mask.empty() ? nullptr : mask[area.y + y] + area.x;
    for (int x = 0; x < area.width; ++x) {
      if ((use && !use[x]) || std::isnan(row[x])) continue;
      const double v = row[x];
      Block& b = blocks[static_cast<std::size_t>(y / block_px * across + x / block_px)];
      b.sum += v;
      b.n += 1;
      sum += v;
      squares += v * v;
      n += 1;
    }
  }
  TonePatch patch;
  patch.pixels = n;
  if (n < 1) {
    patch.density = Density::of(std::numeric_limits<double>::quiet_NaN());
    patch.sd_of_mean = std::numeric_limits<double>::infinity();
    return patch;
  }
  const double mean = sum / n;
  patch.density = Density::of_reflectance(std::max(mean, 1e-5));
  patch.grain_sd = std::sqrt(std::max(0.0, squares / n - mean * mean));
  // Variance of a ratio of block sums (Cochran, Sampling Techniques, ratio estimator).
  double spread = 0;
  int used = 0;
  for (const Block& b : blocks) {
    if (b.n <= 0) continue;
    ++used;
    const double e = b.sum - mean * b.n;
    spread += e * e;
  }
  if (used < 2) {
    patch.sd_of_mean = std::numeric_limits<double>::infinity();
    return patch;
  }
  const double sd_mean = std::sqrt(spread * used / (used - 1.0)) / n;
  patch.sd_of_mean = sd_mean / (std::max(mean, 1e-5) * std::log(10.0));
  return patch;
}

}  // namespace rebite::scan

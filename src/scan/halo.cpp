#include "scan/halo.h"
#include "scan/median.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

namespace rebite::scan {
namespace {

constexpr double least_step = 0.03;

cv::Point2d middle(const GreyReading& r) {
  cv::Point2d sum(0, 0);
  for (const cv::Point2d& p : r.corners_px) sum += p;
  return sum * 0.25;
}

// How far the measured part reaches from its middle along a direction.
double reach(const GreyReading& r, cv::Point2d direction) {
  const cv::Point2d m = middle(r);
  double most = 0;
  for (const cv::Point2d& p : r.corners_px) most = std::max(most, std::abs((p - m).dot(direction)));
  return most;
}

// Mean codes from the middle of one patch to the middle of the next, a pixel apart.
std::vector<double> across_border(const cv::Mat1f& codes,
                                  const GreyReading& a,
                                  const GreyReading& b) {
  const cv::Point2d from = middle(a);
  const cv::Point2d way = middle(b) - from;
  const double length = std::hypot(way.x, way.y);
  const int count = static_cast<int>(length);
  if (count < 12) return {};
  const cv::Point2d along = way * (1 / length), side(-along.y, along.x);
  const int half = static_cast<int>(0.8 * std::min(reach(a, side), reach(b, side)));
  if (half < 4) return {};
  // The strip between the two middles, upright.
  const cv::Matx23d map(along.x,
                        side.x,
                        from.x - half * side.x,  //
                        along.y,
                        side.y,
                        from.y - half * side.y);
  cv::Mat1f strip, means;
  cv::warpAffine(codes,
                 strip,
                 map,
                 {count, 2 * half + 1},
                 cv::INTER_LINEAR | cv::WARP_INVERSE_MAP,
                 cv::BORDER_REPLICATE);
  cv::reduce(strip, means, 0, cv::REDUCE_AVG);
  return {means.begin(), means.end()};
}

}  // namespace

double halo_share(const cv::Mat1f& codes, const std::vector<GreyReading>& row) {
  std::vector<double> shares;
  for (std::size_t i = 0; i + 1 < row.size(); ++i) {
    const auto profile = across_border(codes, row[i], row[i + 1]);
    if (profile.empty()) continue;
    const auto quarter = static_cast<std::ptrdiff_t>(profile.size() / 4);
    const double first = median({profile.begin(), profile.begin() + quarter});
    const double last = median({profile.end() - quarter, profile.end()});
    const double step = std::abs(last - first);
    if (step < least_step) continue;
    const auto [low, high] = std::minmax_element(profile.begin(), profile.end());
    const double over = *high - std::max(first, last), under = std::min(first, last) - *low;
    shares.push_back(std::max(0.0, std::min(over, under)) / step);
  }
  return shares.size() < 3 ? 0 : median(shares);
}

}  // namespace rebite::scan

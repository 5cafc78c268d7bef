#include <algorithm>
#include <cmath>
#include <limits>

#include "scan/find_greys.h"
#include "scan/median.h"

namespace rebite::scan {
namespace {

// n x n codes evenly over a parallelogram; places beyond the scan are left out.
std::vector<double> codes_in(const cv::Mat1f& codes, const ScanQuad& quad, int n) {
  std::vector<double> v;
  const cv::Point2d across = quad[1] - quad[0], down = quad[3] - quad[0];
  for (int a = 0; a < n; ++a) {
    for (int b = 0; b < n; ++b) {
      const cv::Point2d p = quad[0] + across * ((a + 0.5) / n) + down * ((b + 0.5) / n);
      const int x = static_cast<int>(std::lround(p.x)), y = static_cast<int>(std::lround(p.y));
      if (x < 0 || y < 0 || x >= codes.cols || y >= codes.rows) continue;
      v.push_back(double(codes(y, x)));
    }
  }
  return v;
}

void read_patch(const cv::Mat1f& codes, GreyReading& r) {
  const std::vector<double> v = codes_in(codes, r.corners_px, 160);
  r.code = r.scatter = r.clipped = 0;
  if (v.empty()) return;
  const auto at_an_end = [](double c) { return c <= 1e-6 || c >= 1 - 1e-6; };
  r.clipped = double(std::count_if(v.begin(), v.end(), at_an_end)) / double(v.size());
  const double mid = median(v);
  std::vector<double> away;
  for (const double c : v) away.push_back(std::abs(c - mid));
  const double cut = std::max(4 * 1.4826 * median(away), 1e-4 + 0.002 * mid);
  double sum = 0, squares = 0, kept = 0;
  for (const double c : v) {
    if (std::abs(c - mid) > cut) continue;
    sum += c;
    squares += c * c;
    kept += 1;
  }
  r.code = sum / kept;
  r.scatter = std::sqrt(std::max(0.0, squares / kept - r.code * r.code));
}

// Median code of the card beside a patch; NaN where part of it lies beyond the scan. A median:
// figures printed there cover less than half of it.
double card_beside(const cv::Mat1f& codes, const ScanQuad& quad) {
  constexpr int n = 60;
  const std::vector<double> v = codes_in(codes, quad, n);
  return v.size() < n * n ? std::numeric_limits<double>::quiet_NaN() : median(v);
}

}  // namespace

void read_greys(const cv::Mat1f& codes, std::vector<GreyReading>& patches) {
  for (GreyReading& r : patches) {
    read_patch(codes, r);
    for (const int side : {0, 1}) r.card[side] = card_beside(codes, r.card_px[side]);
  }
}

}  // namespace rebite::scan

#include "wedge/strip_borders.h"

#include <algorithm>
#include <cassert>
#include <cmath>
#include <limits>
#include <opencv2/imgproc.hpp>

#include "wedge/frame_sums.h"

namespace rebite::wedge {
namespace {

// In WedgeFrame::tone: 0.03 is 0.04 D in the middle tones. Wiping changes less over a strip.
constexpr double clear_step = 0.03;

// Scatter about the mean from column a to b, summed over the rows of a picture.
class ColumnScatter {
 public:
  explicit ColumnScatter(const cv::Mat1f& picture)
      : sum_(picture.rows, picture.cols + 1, 0.0), square_(picture.rows, picture.cols + 1, 0.0) {
    for (int y = 0; y < picture.rows; ++y) {
      for (int x = 0; x < picture.cols; ++x) {
        const double v = static_cast<double>(picture(y, x));
        sum_(y, x + 1) = sum_(y, x) + v;
        square_(y, x + 1) = square_(y, x) + v * v;
      }
    }
  }
  double over(int a, int b) const {
    double all = 0;
    for (int y = 0; y < sum_.rows; ++y) {
      const double s = sum_(y, b) - sum_(y, a);
      all += square_(y, b) - square_(y, a) - s * s / (b - a);
    }
    return all;
  }

 private:
  cv::Mat1d sum_, square_;
};

std::vector<int> best_cuts(const cv::Mat1f& picture, int count) {
  const int width = picture.cols;
  const int narrowest = std::max(2, static_cast<int>(0.5 * width / count));
  const int widest = std::max(narrowest + 1, static_cast<int>(2.0 * width / count));
  const ColumnScatter scatter(picture);
  constexpr double never = std::numeric_limits<double>::infinity();
  // least(k, b): columns 0..b in k strips; from(k, b): where the last of them begins.
  cv::Mat1d least(count + 1, width + 1, never);
  cv::Mat1i from(count + 1, width + 1, 0);
  least(0, 0) = 0;
  for (int a = 0; a < width; ++a) {
    for (int b = a + narrowest; b <= std::min(width, a + widest); ++b) {
      const double own = scatter.over(a, b);
      for (int k = 1; k <= count; ++k) {
        const double all = least(k - 1, a) + own;
        if (all < least(k, b)) {
          least(k, b) = all;
          from(k, b) = a;
        }
      }
    }
  }
  if (!std::isfinite(least(count, width))) return {};
  std::vector<int> cuts{width};
  for (int k = count; k > 0; --k) cuts.push_back(from(k, cuts.back()));
  std::reverse(cuts.begin(), cuts.end());
  return cuts;
}

// The step of tone, mean size over slices of 5 mm of a border at `x` between strips that reach to
// `left` and `right`; what the blur reaches along the strips' ends, 0.8 mm, is left out.
double step_at(
    const FrameSums& sums, const cv::Rect& box, double px, double left, double x, double right) {
  double sum = 0;
  int n = 0;
  const double rim = 0.8 * px, slice = 5 * px;
  if (x - left < 2 * rim + 1 || right - x < 2 * rim + 1) return 0;
  for (double y = box.y; y + slice <= box.br().y + 0.5; y += slice / 2) {
    const auto before = sums.over({left + rim, y, x - left - 2 * rim, slice});
    const auto after = sums.over({x + rim, y, right - x - 2 * rim, slice});
    if (before.n < 0.9 * before.area || after.n < 0.9 * after.area) continue;
    sum += std::fabs(before.mean() - after.mean());
    ++n;
  }
  return n > 0 ? sum / n : 0;
}

// log10 units: metal is even along a side, and light.
constexpr double even_metal = 0.06, lightest_strip = 0.15;

// Is the slice of `box` all metal? Its ends, where another side's metal may lie, are left out.
bool is_metal(const FrameSums& sums, cv::Rect2d slice, double px) {
  const bool wide = slice.width > slice.height;
  const double length = wide ? slice.width : slice.height;
  const double piece = 3 * px, ends = 8 * px;
  double low = 1e9, high = -1e9;
  for (double at = ends; at + piece <= length - ends; at += piece) {
    const auto p = sums.over(wide ? cv::Rect2d(slice.x + at, slice.y, piece, slice.height)
                                  : cv::Rect2d(slice.x, slice.y + at, slice.width, piece));
    low = std::min(low, p.mean());
    high = std::max(high, p.mean());
  }
  return high >= low && high - low < even_metal && high < lightest_strip;
}

}  // namespace

cv::Rect without_metal(const WedgeFrame& frame, const cv::Rect& box) {
  const FrameSums sums(frame.density, frame.inside);
  const double px = frame.px_per_mm;
  const int stride = std::max(1, cvRound(0.5 * px));
  cv::Rect b = box;
  const auto most = [&](int side) { return side > cvRound(20 * px); };
  while (most(b.width) && is_metal(sums, cv::Rect2d(b.x, b.y, stride, b.height), px)) {
    b.x += stride;
    b.width -= stride;
  }
  while (most(b.width) &&
         is_metal(sums, cv::Rect2d(b.x + b.width - stride, b.y, stride, b.height), px)) {
    b.width -= stride;
  }
  while (most(b.height) && is_metal(sums, cv::Rect2d(b.x, b.y, b.width, stride), px)) {
    b.y += stride;
    b.height -= stride;
  }
  while (most(b.height) &&
         is_metal(sums, cv::Rect2d(b.x, b.y + b.height - stride, b.width, stride), px)) {
    b.height -= stride;
  }
  return b;
}

double StripBorders::faintest_step() const {
  return step.empty() ? std::numeric_limits<double>::infinity()
                      : *std::min_element(step.begin(), step.end());
}

StripBorders cut_strips(const WedgeFrame& frame, const cv::Rect& box, bool along_y, int count) {
  assert(count >= 1 && count <= most_strips);
  cv::Mat1f tone = frame.tone;
  cv::Mat1b inside = frame.inside;
  cv::Rect r = box & cv::Rect(0, 0, tone.cols, tone.rows);
  if (along_y) {
    // Into pictures of their own: `tone = tone.t()` would turn the frame's own pixels where the
    // frame is square.
    tone = cv::Mat1f(frame.tone.t());
    inside = cv::Mat1b(frame.inside.t());
    r = {r.y, r.x, r.height, r.width};
  }
  StripBorders borders;
  // The box ends where the blurred edge meets the unbitten metal, up to 1.2 mm outside the strips,
  // and the blur reaches as far inside: neither belongs to a strip's scatter.
  const int rim = cvRound(2.2 * frame.px_per_mm);
  const cv::Rect core(r.x + rim, r.y + rim, r.width - 2 * rim, r.height - 2 * rim);
  if (core.width < 3 * count || core.height < 3) return borders;
  const std::vector<int> cuts = best_cuts(tone(core), count);
  if (cuts.empty()) return borders;
  for (const int c : cuts) borders.at.push_back(core.x + c);
  const FrameSums sums(tone, inside);
  for (std::size_t k = 1; k + 1 < borders.at.size(); ++k) {
    borders.step.push_back(
        step_at(sums, core, frame.px_per_mm, borders.at[k - 1], borders.at[k], borders.at[k + 1]));
  }
  borders.at.front() = r.x;
  borders.at.back() = r.x + r.width;
  return borders;
}

int count_strips(const WedgeFrame& frame, const cv::Rect& box, bool along_y) {
  int most = 1;
  for (int k = 2; k <= most_strips; ++k) {
    const StripBorders b = cut_strips(frame, box, along_y, k);
    if (b.count() == k && b.faintest_step() > clear_step) most = k;
  }
  return most;
}

}  // namespace rebite::wedge

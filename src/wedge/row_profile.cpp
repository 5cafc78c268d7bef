#include "wedge/row_profile.h"

#include <algorithm>
#include <cmath>
#include <opencv2/imgproc.hpp>

namespace rebite::wedge {
namespace {

// Of the tone (WedgeFrame::tone): what grain leaves in a mean across a row, over some millimetres;
// and how fast wiping changes it, per mm.
constexpr double grain = 0.002, wiping_slope = 0.0015;

}  // namespace

RowProfile::RowProfile(const WedgeFrame& frame, bool along_y, double begin, double end) {
  const cv::Mat1f& tone = frame.tone;
  size_ = along_y ? tone.rows : tone.cols;
  const int across = along_y ? tone.cols : tone.rows;
  const int from = std::clamp(cvCeil(begin), 0, across);
  const int to = std::clamp(cvCeil(end), from, across);
  const bool whole = begin > -1 && end < across + 1 && to > from;
  const auto count = static_cast<std::size_t>(size_) + 1;
  for (auto* v : {&n_, &x_, &xx_, &y_, &xy_, &yy_, &missing_}) v->assign(count, 0);
  for (int k = 0; k < size_; ++k) {
    double sum = 0;
    int seen = 0;
    for (int c = from; c < to; ++c) {
      const cv::Point p = along_y ? cv::Point(c, k) : cv::Point(k, c);
      if (!frame.inside(p)) continue;
      sum += static_cast<double>(tone(p));
      ++seen;
    }
    const bool here = whole && seen >= 0.95 * (to - from);
    const double y = here ? sum / seen : 0;
    const double x = k;
    const auto i = static_cast<std::size_t>(k);
    n_[i + 1] = n_[i] + 1;
    x_[i + 1] = x_[i] + x;
    xx_[i + 1] = xx_[i] + x * x;
    y_[i + 1] = y_[i] + y;
    xy_[i + 1] = xy_[i] + x * y;
    yy_[i + 1] = yy_[i] + y * y;
    missing_[i + 1] = missing_[i] + (here ? 0 : 1);
  }
  // The slope is held to what wiping does: least squares with that as a prior (ridge).
  hold_ = (grain * grain) / std::pow(wiping_slope / frame.px_per_mm, 2) *
          std::max(1.0, shared_mm * frame.px_per_mm);
}

RowProfile::Scatter RowProfile::over(double from, double to) const {
  const int first = cvCeil(from), last = cvCeil(to);
  if (first < 0 || last > size_ || last - first < 1) return {-1, 0};
  const auto a = static_cast<std::size_t>(first), b = static_cast<std::size_t>(last);
  if (missing_[b] > missing_[a]) return {-1, 0};
  const double n = n_[b] - n_[a];
  const double x = x_[b] - x_[a], y = y_[b] - y_[a];
  const double sxx = xx_[b] - xx_[a] - x * x / n;
  const double sxy = xy_[b] - xy_[a] - x * y / n;
  const double syy = yy_[b] - yy_[a] - y * y / n;
  return {n, std::max(0.0, syy - sxy * sxy / (sxx + hold_))};
}

}  // namespace rebite::wedge

#include "wedge/wedge_frame.h"

#include <algorithm>
#include <cmath>
#include <complex>
#include <numbers>
#include <opencv2/imgproc.hpp>
#include <vector>

namespace rebite::wedge {
namespace {

constexpr double blur_mm = 0.5;
constexpr float inked = 0.15F;  // density
// sd of the tone that grain may leave in a pixel: with more, edges of grain pass for those of steps.
constexpr double most_grain = 0.016, coarsest = 2.5;
constexpr float darkest = 1.8F;  // beyond it a blurred pixel tells only noise

struct Small {
  cv::Mat1f reflectance;  // blurred, 1 where no scan
  cv::Mat1f inside;       // 0..1
  double px_per_mm = 4;
  double step_x = 1, step_y = 1;  // scan pixels per small pixel
  cv::Point offset;               // of the window, scan pixels
};

// `coarse` times smaller than usual.
Small shrink(const scan::DensityImage& scan,
             const std::optional<cv::Rect2d>& window_mm,
             double coarse) {
  cv::Rect window(0, 0, scan.relative.cols, scan.relative.rows);
  if (window_mm) {
    const double px = scan.px_per_mm_x();
    const double py = scan.px_per_mm_y();
    window &= cv::Rect(cvRound(window_mm->x * px),
                       cvRound(window_mm->y * py),
                       cvRound(window_mm->width * px),
                       cvRound(window_mm->height * py));
  }
  Small s;
  if (window.width < 8 || window.height < 8) return s;
  s.offset = window.tl();
  const cv::Mat1f part = scan.relative(window);
  cv::Mat1b seen;
  cv::compare(part, part, seen, cv::CMP_EQ);  // 0 where NaN
  cv::Mat1f filled = part.clone();
  filled.setTo(1.F, ~seen);
  cv::Mat1f share;
  seen.convertTo(share, CV_32F, 1.0 / 255);
  s.px_per_mm = std::min({4.0, coarse * scan.px_per_mm_x(), coarse * scan.px_per_mm_y()});
  const double px_per_mm = s.px_per_mm / coarse;
  const cv::Size size(std::max(4, cvRound(window.width * px_per_mm / scan.px_per_mm_x())),
                      std::max(4, cvRound(window.height * px_per_mm / scan.px_per_mm_y())));
  cv::resize(filled, s.reflectance, size, 0, 0, cv::INTER_AREA);
  cv::resize(share, s.inside, size, 0, 0, cv::INTER_AREA);
  s.step_x = static_cast<double>(window.width) / size.width;
  s.step_y = static_cast<double>(window.height) / size.height;
  cv::GaussianBlur(
      s.reflectance, s.reflectance, {}, blur_mm * s.px_per_mm, 0, cv::BORDER_REPLICATE);
  return s;
}

cv::Mat1f density_of(const cv::Mat1f& reflectance) {
  cv::Mat1f d;
  cv::max(reflectance, std::pow(10.0, -darkest), d);
  cv::log(d, d);
  d.convertTo(d, CV_32F, -1 / std::numbers::ln10);
  return d;
}

// Direction of the edges, mod 90 degrees, in -45..45.
double main_direction(const cv::Mat1f& density, const cv::Mat1f& inside) {
  cv::Mat1f gx, gy;
  cv::Sobel(density, gx, CV_32F, 1, 0);
  cv::Sobel(density, gy, CV_32F, 0, 1);
  cv::Mat1f whole;
  cv::erode(
      inside, whole, cv::Mat::ones(5, 5, CV_8U), {-1, -1}, 1, cv::BORDER_CONSTANT, cv::Scalar(0));
  std::complex<double> sum = 0;
  for (int y = 1; y + 1 < density.rows; ++y) {
    for (int x = 1; x + 1 < density.cols; ++x) {
      if (whole(y, x) < 0.99F) continue;
      const std::complex<double> g(static_cast<double>(gx(y, x)), static_cast<double>(gy(y, x)));
      const double power = std::norm(g);
      if (power <= 0) continue;
      const std::complex<double> g2 = g * g / power;
      sum += power * g2 * g2;
    }
  }
  return std::arg(sum) / 4 * 180 / std::numbers::pi;
}

// The integral of grain / sqrt(grain scatter^2 + wiping^2) over the density: see WedgeFrame::tone.
std::vector<float> tone_table() {
  constexpr double grain = 0.01, wiping = 0.008, stride = 0.002;
  std::vector<float> table;
  double tone = 0;
  for (double d = 0; d < static_cast<double>(darkest) + 2 * stride; d += stride) {
    table.push_back(static_cast<float>(tone));
    const double r = std::pow(10.0, -(d + stride / 2));
    const double angular = std::numbers::ln10 / 2 * std::sqrt(r / (1 - r));  // d arccos(sqrt R)/dD
    tone += stride * grain / std::hypot(grain / angular, wiping);
  }
  return table;
}

cv::Mat1f tone_of(const cv::Mat1f& density) {
  static const std::vector<float> table = tone_table();
  cv::Mat1f t(density.size());
  for (int y = 0; y < t.rows; ++y) {
    for (int x = 0; x < t.cols; ++x) {
      const float at = std::clamp(density(y, x), 0.F, darkest) / 0.002F;
      const auto i = static_cast<std::size_t>(at);
      const float share = at - static_cast<float>(i);
      t(y, x) = table[i] + share * (table[i + 1] - table[i]);
    }
  }
  return t;
}

struct Turned {
  cv::Mat1f reflectance, inside;
  cv::Matx23d small_from_turned;
};

// Turned by `degrees` about the middle, whole picture kept.
Turned turn(const Small& s, double degrees) {
  const double a = degrees * std::numbers::pi / 180;
  const double c = std::cos(a);
  const double n = std::sin(a);
  const double w = s.reflectance.cols;
  const double h = s.reflectance.rows;
  const cv::Size size(cvCeil(std::fabs(c) * w + std::fabs(n) * h) + 1,
                      cvCeil(std::fabs(n) * w + std::fabs(c) * h) + 1);
  const double mx = (size.width - 1) / 2.0;
  const double my = (size.height - 1) / 2.0;
  Turned t;
  t.small_from_turned = {c,
                         -n,
                         (w - 1) / 2 - c * mx + n * my,  //
                         n,
                         c,
                         (h - 1) / 2 - n * mx - c * my};
  cv::warpAffine(s.reflectance,
                 t.reflectance,
                 t.small_from_turned,
                 size,
                 cv::INTER_LINEAR | cv::WARP_INVERSE_MAP,
                 cv::BORDER_CONSTANT,
                 cv::Scalar(1));
  cv::warpAffine(s.inside,
                 t.inside,
                 t.small_from_turned,
                 size,
                 cv::INTER_LINEAR | cv::WARP_INVERSE_MAP,
                 cv::BORDER_CONSTANT,
                 cv::Scalar(0));
  return t;
}

// How abruptly row and column means change; largest when edges lie along the axes.
double abruptness(const cv::Mat1f& density) {
  double sum = 0;
  for (const int dim : {0, 1}) {
    cv::Mat1f means;
    cv::reduce(density, means, dim, cv::REDUCE_SUM);
    means = means.reshape(1, 1);
    for (int i = 1; i < means.cols; ++i) {
      const double d = static_cast<double>(means(0, i)) - static_cast<double>(means(0, i - 1));
      sum += d * d;
    }
  }
  return sum;
}

double sharpened(const Small& whole, double degrees) {
  Small s = whole;  // half as fine is enough to find the turn
  cv::resize(whole.reflectance, s.reflectance, {}, 0.5, 0.5, cv::INTER_AREA);
  cv::resize(whole.inside, s.inside, s.reflectance.size(), 0, 0, cv::INTER_AREA);
  const auto score = [&](double a) {
    const Turned t = turn(s, a);
    cv::Mat1f d = density_of(t.reflectance);
    d.setTo(0.F, cv::Mat(t.inside < 0.99F));
    return abruptness(d);
  };
  double best = degrees;
  double best_score = score(degrees);
  const double middle = degrees;
  for (int k = -12; k <= 12; ++k) {
    const double a = middle + 0.15 * k;
    const double v = score(a);
    if (v > best_score) {
      best_score = v;
      best = a;
    }
  }
  return best;
}

// What the grain leaves in the tone of one pixel, sd: from pixels of inked places too far apart to
// share the blur. Along and across, the less: over narrow steps one of them meets their borders.
double grain_scatter(const WedgeFrame& f) {
  const int far = cvRound(3 * blur_mm * f.px_per_mm);
  double least = 0;
  for (const cv::Point by : {cv::Point(far, 0), cv::Point(0, far)}) {
    std::vector<float> apart;
    for (int y = 0; y + by.y < f.tone.rows; ++y) {
      for (int x = 0; x + by.x < f.tone.cols; ++x) {
        const cv::Point a(x, y), b = a + by;
        if (std::min(f.density(a), f.density(b)) > inked) {
          apart.push_back(std::fabs(f.tone(a) - f.tone(b)));
        }
      }
    }
    if (apart.size() < 100) continue;
    const auto middle = apart.begin() + static_cast<std::ptrdiff_t>(apart.size() / 2);
    std::nth_element(apart.begin(), middle, apart.end());
    // Of a normal spread: the middle of what two values are apart.
    const double sd = static_cast<double>(*middle) / (0.6745 * std::numbers::sqrt2);
    least = least > 0 ? std::min(least, sd) : sd;
  }
  return least;
}

WedgeFrame frame_at(const scan::DensityImage& scan,
                    const std::optional<cv::Rect2d>& window_mm,
                    double coarse) {
  WedgeFrame f;
  const Small s = shrink(scan, window_mm, coarse);
  if (s.reflectance.empty()) return f;
  const double degrees = sharpened(s, main_direction(density_of(s.reflectance), s.inside));
  const Turned t = turn(s, degrees);
  f.px_per_mm = s.px_per_mm;
  f.density = density_of(t.reflectance);
  cv::compare(t.inside, 0.99, f.inside, cv::CMP_GT);
  f.density.setTo(0.F, ~f.inside);
  f.tone = tone_of(f.density);
  const cv::Matx23d& m = t.small_from_turned;
  // scan = (small + 1/2) * step - 1/2 + offset
  f.scan_from_frame = {m(0, 0) * s.step_x,
                       m(0, 1) * s.step_x,
                       (m(0, 2) + 0.5) * s.step_x - 0.5 + s.offset.x,  //
                       m(1, 0) * s.step_y,
                       m(1, 1) * s.step_y,
                       (m(1, 2) + 0.5) * s.step_y - 0.5 + s.offset.y};
  return f;
}

}  // namespace

WedgeFrame upright_frame(const scan::DensityImage& scan,
                         const std::optional<cv::Rect2d>& window_mm) {
  WedgeFrame f = frame_at(scan, window_mm, 1);
  if (f.density.empty()) return f;
  const double coarse = grain_scatter(f) / most_grain;
  return coarse > 1 ? frame_at(scan, window_mm, std::min(coarse, coarsest)) : f;
}

}  // namespace rebite::wedge

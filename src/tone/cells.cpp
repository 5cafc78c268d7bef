#include "tone/cells.h"

#include <algorithm>
#include <cmath>
#include <limits>
#include <opencv2/imgproc.hpp>

namespace rebite::tone {
namespace {

constexpr float kNan = std::numeric_limits<float>::quiet_NaN();

struct CellSum {
  double p = 0, d = 0, sigma = 0;
  int n = 0, all = 0;
};

CellSum sum_cell(const cv::Mat1f& proof,
                 const cv::Mat1f& drawing,
                 const cv::Mat1b& usable,
                 const cv::Mat1f& sigma,
                 cv::Rect where) {
  CellSum s;
  for (int y = where.y; y < where.br().y; ++y) {
    for (int x = where.x; x < where.br().x; ++x) {
      ++s.all;
      if (!usable(y, x)) continue;
      ++s.n;
      s.p += static_cast<double>(proof(y, x));
      s.d += static_cast<double>(drawing(y, x));
      if (!sigma.empty() && std::isfinite(sigma(y, x))) s.sigma += static_cast<double>(sigma(y, x));
    }
  }
  return s;
}

// Standard error over 1 mm2 from the scatter of cells about their 1.5 mm surroundings. Cells are
// not quite independent (scanner blur, grain of about a cell), so the variance is taken half as
// large again as counting cells would give.
void grain_noise(Cells& c) {
  constexpr double ln10 = 2.302585092994046;
  cv::Mat1f weight(c.usable.size());
  cv::Mat1f p = c.proof.clone();
  cv::Mat1f d = c.drawing.clone();
  for_rows(p.rows, [&](int i) {
    for (int j = 0; j < p.cols; ++j) {
      weight(i, j) = c.usable(i, j) ? 1.F : 0.F;
      if (!c.usable(i, j)) p(i, j) = d(i, j) = 0;
    }
  });
  const cv::Mat1f mp = smooth_over(p, weight, 0.75 / c.mm);
  const cv::Mat1f md = smooth_over(d, weight, 0.75 / c.mm);
  cv::Mat1f vn(p.size(), 0.F);
  cv::Mat1f vg(p.size(), 0.F);
  for_rows(p.rows, [&](int i) {
    for (int j = 0; j < p.cols; ++j) {
      if (!c.usable(i, j)) continue;
      const float rp = p(i, j) / std::max(mp(i, j), kDarkest) - 1.F;
      const float rd = d(i, j) / std::max(md(i, j), kDarkest) - 1.F;
      vn(i, j) = rp * rp;
      vg(i, j) = (rp - rd) * (rp - rd);
    }
  });
  vn = smooth_over(vn, weight, 2.5 / c.mm);
  vg = smooth_over(vg, weight, 2.5 / c.mm);
  const double per_mm2 = 1.5 * c.mm * c.mm / (ln10 * ln10);
  c.noise_now.create(p.size());
  c.noise_gap.create(p.size());
  for_rows(p.rows, [&](int i) {
    for (int j = 0; j < p.cols; ++j) {
      const auto se = [&](float v) {
        return std::isfinite(v) ? static_cast<float>(std::sqrt(static_cast<double>(v) * per_mm2))
                                : 0.F;
      };
      c.noise_now(i, j) = se(vn(i, j));
      c.noise_gap(i, j) = se(vg(i, j));
    }
  });
}

}  // namespace

double density_of(double reflectance) {
  return -std::log10(std::max(reflectance, static_cast<double>(kDarkest)));
}

cv::Mat1f smooth_over(const cv::Mat1f& values, const cv::Mat1f& weight, double sigma_px) {
  CV_Assert(values.size() == weight.size());
  cv::Mat1f num(values.size());
  for_rows(values.rows, [&](int i) {
    for (int j = 0; j < values.cols; ++j) {
      num(i, j) = weight(i, j) > 0 ? values(i, j) * weight(i, j) : 0.F;
    }
  });
  cv::Mat1f den;
  cv::GaussianBlur(num, num, {}, sigma_px, sigma_px, cv::BORDER_REPLICATE);
  cv::GaussianBlur(weight, den, {}, sigma_px, sigma_px, cv::BORDER_REPLICATE);
  cv::Mat1f out(values.size());
  for_rows(values.rows, [&](int i) {
    for (int j = 0; j < values.cols; ++j) {
      out(i, j) = den(i, j) > 1e-4F ? num(i, j) / den(i, j) : kNan;
    }
  });
  return out;
}

Cells make_cells(const cv::Mat1f& proof,
                 const cv::Mat1f& drawing,
                 const cv::Mat1b& usable,
                 const cv::Mat1f& sigma_mm,
                 double px_per_mm) {
  CV_Assert(proof.size() == drawing.size() && proof.size() == usable.size());
  Cells c;
  c.factor = std::max(1, static_cast<int>(std::lround(px_per_mm * 0.25)));
  c.mm = c.factor / px_per_mm;
  const cv::Size size((proof.cols + c.factor - 1) / c.factor,
                      (proof.rows + c.factor - 1) / c.factor);
  c.proof.create(size);
  c.drawing.create(size);
  c.usable.create(size);
  c.sigma_mm.create(size);
  const cv::Rect all({0, 0}, proof.size());
  for_rows(size.height, [&](int i) {
    for (int j = 0; j < size.width; ++j) {
      const cv::Rect where = cv::Rect(j * c.factor, i * c.factor, c.factor, c.factor) & all;
      const CellSum s = sum_cell(proof, drawing, usable, sigma_mm, where);
      const bool ok = 2 * s.n >= s.all;
      c.usable(i, j) = ok ? 255 : 0;
      c.proof(i, j) = ok ? static_cast<float>(s.p / s.n) : kNan;
      c.drawing(i, j) = ok ? static_cast<float>(s.d / s.n) : kNan;
      c.sigma_mm(i, j) = ok ? static_cast<float>(s.sigma / s.n) : 0.F;
    }
  });
  grain_noise(c);
  return c;
}

}  // namespace rebite::tone

#include "align/render.h"

#include <cmath>
#include <vector>

#include "align/parallel.h"

namespace rebite::align {
namespace {

struct Kernel {
  float w[4];
};

// Catmull-Rom (Keys, IEEE Trans. ASSP 29, 1981, a = -1/2).
Kernel catmull_rom(float t) {
  const float t2 = t * t, t3 = t2 * t;
  return {{-0.5F * t3 + t2 - 0.5F * t,
           1.5F * t3 - 2.5F * t2 + 1,
           -1.5F * t3 + 2 * t2 + 0.5F * t,
           0.5F * t3 - 0.5F * t2}};
}

// Picture value at a place at least one pixel inside.
float bicubic(const cv::Mat1f& picture, double x, double y) {
  const int i = static_cast<int>(x), j = static_cast<int>(y);
  const Kernel kx = catmull_rom(static_cast<float>(x - i));
  const Kernel ky = catmull_rom(static_cast<float>(y - j));
  const float* p = picture[j - 1] + (i - 1);
  const std::size_t line = picture.step1();
  // Down the four columns at once, then across.
  float column[4];
  for (int a = 0; a < 4; ++a)
    column[a] = ky.w[0] * p[a] + ky.w[1] * (p + line)[a] + ky.w[2] * (p + 2 * line)[a] +
                ky.w[3] * (p + 3 * line)[a];
  return (kx.w[0] * column[0] + kx.w[1] * column[1]) + (kx.w[2] * column[2] + kx.w[3] * column[3]);
}

}  // namespace

cv::Mat1f render_on_proof(const RenderSource& drawing,
                          const SmoothMap& map,
                          double px_per_mm,
                          cv::Size size,
                          int threads,
                          cv::Mat1b* inside) {
  cv::Mat1f result(size, 0.0F);
  if (inside) *inside = cv::Mat1b(size, static_cast<unsigned char>(0));
  const cv::Mat1f& picture = drawing.picture;
  const cv::Matx33d& s = map.start;
  in_parallel(size.height, threads, [&](int first, int last) {
    std::vector<cv::Vec2d> shift(static_cast<std::size_t>(size.width));
    for (int j = first; j < last; ++j) {
      const double y = (j + 0.5) / px_per_mm;
      std::fill(shift.begin(), shift.end(), cv::Vec2d());
      map.stiff.add_row(0.5 / px_per_mm, 1 / px_per_mm, y, size.width, shift.data());
      map.fine.add_row(0.5 / px_per_mm, 1 / px_per_mm, y, size.width, shift.data());
      float* out = result[j];
      unsigned char* seen = inside ? (*inside)[j] : nullptr;
      for (int i = 0; i < size.width; ++i) {
        const cv::Vec2d& u = shift[static_cast<std::size_t>(i)];
        const double px = (i + 0.5) / px_per_mm + u[0], py = y + u[1];
        const double w = s(2, 0) * px + s(2, 1) * py + s(2, 2);
        const double scale = drawing.px_per_mm / w;
        const double qx = (s(0, 0) * px + s(0, 1) * py + s(0, 2)) * scale - 0.5;
        const double qy = (s(1, 0) * px + s(1, 1) * py + s(1, 2)) * scale - 0.5;
        if (!(qx >= 1 && qy >= 1 && qx < picture.cols - 2 && qy < picture.rows - 2)) continue;
        out[i] = bicubic(picture, qx, qy);
        if (seen) seen[i] = 255;
      }
    }
  });
  return result;
}

}  // namespace rebite::align

#include "align/render.h"

#include <cmath>
#include <opencv2/core/hal/intrin.hpp>
#include <vector>

#include "align/parallel.h"

namespace rebite::align {
namespace {

using cv::v_float32x4;

// Catmull-Rom (Keys, IEEE Trans. ASSP 29, 1981, a = -1/2): the four weights at the fraction t.
v_float32x4 catmull_rom(float t) {
  const v_float32x4 cube(-0.5F, 1.5F, -1.5F, 0.5F), square(1, -2.5F, 2, -0.5F),
      linear(-0.5F, 0, 0.5F, 0), constant(0, 1, 0, 0);
  const v_float32x4 at = cv::v_setall_f32(t);
  return v_muladd(v_muladd(v_muladd(cube, at, square), at, linear), at, constant);
}

// Picture value at a place at least one pixel inside.
float bicubic(const cv::Mat1f& picture, double x, double y) {
  const int i = static_cast<int>(x), j = static_cast<int>(y);
  const v_float32x4 kx = catmull_rom(static_cast<float>(x - i));
  float ky[4];
  v_store(ky, catmull_rom(static_cast<float>(y - j)));
  const float* p = picture[j - 1] + (i - 1);
  const std::size_t line = picture.step1();
  // Down the four columns at once, then across.
  v_float32x4 column = cv::v_load(p) * cv::v_setall_f32(ky[0]);
  for (int b = 1; b < 4; ++b)
    column = v_muladd(
        cv::v_load(p + static_cast<std::size_t>(b) * line), cv::v_setall_f32(ky[b]), column);
  float part[4];
  v_store(part, column * kx);
  return (part[0] + part[1]) + (part[2] + part[3]);
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
  const bool affine = s(2, 0) == 0 && s(2, 1) == 0;  // nearly always: one division for all
  const double whole = drawing.px_per_mm / s(2, 2);
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
        const double scale =
            affine ? whole : drawing.px_per_mm / (s(2, 0) * px + s(2, 1) * py + s(2, 2));
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

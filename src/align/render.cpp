#include "align/render.h"

#include <algorithm>
#include <vector>

#include "align/bicubic.h"
#include "align/parallel.h"

namespace rebite::align {
namespace {

// The places of one row of the proof on a picture of the drawing, worked out in doubles.
class RowOfPlaces {
 public:
  RowOfPlaces(const RenderSource& drawing, const SmoothMap& map, double px_per_mm, int width)
      : drawing_(drawing),
        map_(map),
        px_per_mm_(px_per_mm),
        shift_(static_cast<std::size_t>(width)),
        first_(shift_.size()),
        across_(shift_.size()),
        down_(shift_.size()),
        inside_(shift_.size()) {}

  void lay_out(int row) {
    const double y = (row + 0.5) / px_per_mm_;
    const int n = static_cast<int>(shift_.size());
    std::fill(shift_.begin(), shift_.end(), cv::Vec2d());
    map_.stiff.add_row(0.5 / px_per_mm_, 1 / px_per_mm_, y, n, shift_.data());
    map_.fine.add_row(0.5 / px_per_mm_, 1 / px_per_mm_, y, n, shift_.data());
    with_avx2(Vectors::widest) ? project_avx2(y) : project(y);
  }

  BicubicPlaces places() const { return {first_, across_, down_}; }
  const unsigned char* inside() const { return inside_.data(); }

 private:
  static constexpr int kLot = 256;  // places whose doubles stay in the nearest cache

  [[gnu::target("avx2")]] void project_avx2(double y) { project(y); }

  [[gnu::always_inline]] inline void project(double y) {
    const cv::Matx33d& s = map_.start;
    const bool affine = s(2, 0) == 0 && s(2, 1) == 0;  // nearly always: one division for all
    const int all = static_cast<int>(shift_.size());
    double qx[kLot], qy[kLot];
    for (int first = 0; first < all; first += kLot) {
      const int n = std::min(kLot, all - first);
      affine ? carry<true>(y, first, n, qx, qy) : carry<false>(y, first, n, qx, qy);
      split(qx, qy, first, n);
    }
  }

  // Onto the drawing's pixels.
  template <bool affine>
  [[gnu::always_inline]] inline void carry(
      double y, int from, int n, double* qx, double* qy) const {
    const cv::Matx33d& s = map_.start;
    const double a = s(0, 0), b = s(0, 1), c = s(0, 2), d = s(1, 0), e = s(1, 1), f = s(1, 2);
    const double g = s(2, 0), h = s(2, 1), last = s(2, 2), scale = px_per_mm_;
    const double fine = drawing_.px_per_mm, whole = fine / last;
    const cv::Vec2d* shift = shift_.data() + from;
    for (int i = 0; i < n; ++i) {
      const double px = (from + i + 0.5) / scale + shift[i][0], py = y + shift[i][1];
      const double times = affine ? whole : fine / (g * px + h * py + last);
      qx[i] = (a * px + b * py + c) * times - 0.5;
      qy[i] = (d * px + e * py + f) * times - 0.5;
    }
  }

  // Into pixels and fractions. Places less than a pixel inside the picture become its first pixel
  // that is, and are not inside.
  [[gnu::always_inline]] inline void split(const double* qx, const double* qy, int from, int n) {
    const double right = drawing_.picture.cols - 2, bottom = drawing_.picture.rows - 2;
    const int stride = static_cast<int>(drawing_.picture.step1());
    int* first = first_.data() + from;
    float *across = across_.data() + from, *down = down_.data() + from;
    unsigned char* inside = inside_.data() + from;
    for (int i = 0; i < n; ++i)
      inside[i] = ((qx[i] >= 1) & (qy[i] >= 1) & (qx[i] < right) & (qy[i] < bottom)) ? 255 : 0;
    for (int i = 0; i < n; ++i) {
      const bool in = (qx[i] >= 1) & (qy[i] >= 1) & (qx[i] < right) & (qy[i] < bottom);
      const double x = in ? qx[i] : 1, y = in ? qy[i] : 1;
      const int column = static_cast<int>(x), row = static_cast<int>(y);
      first[i] = (row - 1) * stride + column - 1;
      across[i] = static_cast<float>(x - column);
      down[i] = static_cast<float>(y - row);
    }
  }

  const RenderSource& drawing_;
  const SmoothMap& map_;
  double px_per_mm_;
  std::vector<cv::Vec2d> shift_;
  std::vector<int> first_;
  std::vector<float> across_, down_;
  std::vector<unsigned char> inside_;
};

}  // namespace

cv::Mat1f render_on_proof(const RenderSource& drawing,
                          const SmoothMap& map,
                          double px_per_mm,
                          cv::Size size,
                          int threads,
                          cv::Mat1b* inside) {
  const cv::Mat1f& picture = drawing.picture;
  if (picture.cols < 4 || picture.rows < 4) {
    if (inside) *inside = cv::Mat1b(size, static_cast<unsigned char>(0));
    return cv::Mat1f(size, 0.0F);
  }
  cv::Mat1f result(size);
  if (inside) inside->create(size);
  in_parallel(size.height, threads, [&](int first, int last) {
    RowOfPlaces row(drawing, map, px_per_mm, size.width);
    for (int j = first; j < last; ++j) {
      row.lay_out(j);
      float* out = result[j];
      bicubic(picture.ptr<float>(),
              picture.step1(),
              row.places(),
              {out, static_cast<std::size_t>(size.width)});
      const unsigned char* in = row.inside();
      for (int i = 0; i < size.width; ++i) out[i] = in[i] ? out[i] : 0.0F;
      if (inside) std::copy_n(in, size.width, (*inside)[j]);
    }
  });
  return result;
}

}  // namespace rebite::align

#include "align/patch_products.h"

#include <immintrin.h>

#include <algorithm>
#include <array>
#include <cstddef>

namespace rebite::align {
namespace {

constexpr int kLanes = 8;  // sums run in so many fixed lanes

// A patch and where in the search it is laid.
struct Laid {
  const float *patch, *search;
  int width, height, stride;
};

double lanes_summed(__m128 low, __m128 high) {
  float lane[4];
  _mm_storeu_ps(lane, _mm_add_ps(low, high));
  return (static_cast<double>(lane[0]) + static_cast<double>(lane[1])) +
         (static_cast<double>(lane[2]) + static_cast<double>(lane[3]));
}

// N shifts at once keep the patch and all sums in registers; each sum's order is its own and always
// the same: lane by lane down the patch, then the lanes.
template <std::size_t N>
void products_plain(const Laid& at, double* out) {
  __m128 sum[N][2];
  for (auto& s : sum) s[0] = s[1] = _mm_setzero_ps();
  for (int y = 0; y < at.height; ++y) {
    const float* p = at.patch + y * std::ptrdiff_t{at.width};
    const float* q = at.search + y * std::ptrdiff_t{at.stride};
    for (int x = 0; x < at.width; x += kLanes) {
      const __m128 a = _mm_loadu_ps(p + x), b = _mm_loadu_ps(p + x + 4);
      for (std::size_t n = 0; n < N; ++n) {
        sum[n][0] = _mm_add_ps(_mm_mul_ps(a, _mm_loadu_ps(q + x + n)), sum[n][0]);
        sum[n][1] = _mm_add_ps(_mm_mul_ps(b, _mm_loadu_ps(q + x + n + 4)), sum[n][1]);
      }
    }
  }
  for (std::size_t n = 0; n < N; ++n) out[n] = lanes_summed(sum[n][0], sum[n][1]);
}

template <std::size_t N>
[[gnu::target("avx2")]] void products_avx2(const Laid& at, double* out) {
  __m256 sum[N];
  for (auto& s : sum) s = _mm256_setzero_ps();
  for (int y = 0; y < at.height; ++y) {
    const float* p = at.patch + y * std::ptrdiff_t{at.width};
    const float* q = at.search + y * std::ptrdiff_t{at.stride};
    for (int x = 0; x < at.width; x += kLanes) {
      const __m256 a = _mm256_loadu_ps(p + x);
      for (std::size_t n = 0; n < N; ++n)
        sum[n] = _mm256_add_ps(_mm256_mul_ps(a, _mm256_loadu_ps(q + x + n)), sum[n]);
    }
  }
  for (std::size_t n = 0; n < N; ++n)
    out[n] = lanes_summed(_mm256_castps256_ps128(sum[n]), _mm256_extractf128_ps(sum[n], 1));
}

using Kernel = void (*)(const Laid&, double*);
constexpr std::size_t kMost = 8;  // shifts at once
constexpr std::array<Kernel, kMost> kAvx2{products_avx2<1>,
                                          products_avx2<2>,
                                          products_avx2<3>,
                                          products_avx2<4>,
                                          products_avx2<5>,
                                          products_avx2<6>,
                                          products_avx2<7>,
                                          products_avx2<8>};
constexpr std::array<Kernel, kMost> kPlain{products_plain<1>,
                                           products_plain<2>,
                                           products_plain<3>,
                                           products_plain<4>,
                                           products_plain<5>,
                                           products_plain<6>,
                                           products_plain<7>,
                                           products_plain<8>};

}  // namespace

PatchProducts::PatchProducts(const cv::Mat1f& patch, const cv::Mat1f& search, Vectors vectors)
    : avx2_(with_avx2(vectors)),
      width_((patch.cols + kLanes - 1) / kLanes * kLanes),
      height_(patch.rows),
      stride_(search.cols + kLanes),
      patch_(static_cast<std::size_t>(width_) * static_cast<std::size_t>(height_), 0.0F),
      search_(static_cast<std::size_t>(stride_) * static_cast<std::size_t>(search.rows), 0.0F) {
  for (int y = 0; y < patch.rows; ++y)
    std::copy_n(patch[y], patch.cols, patch_.data() + y * std::ptrdiff_t{width_});
  for (int y = 0; y < search.rows; ++y)
    std::copy_n(search[y], search.cols, search_.data() + y * std::ptrdiff_t{stride_});
}

void PatchProducts::row(int dy, std::span<double> out) const {
  const float* search = search_.data() + dy * std::ptrdiff_t{stride_};
  const auto at = [&](std::size_t dx) {
    return Laid{patch_.data(), search + dx, width_, height_, stride_};
  };
  // Even shares: the sums of a single shift would wait for each other.
  for (std::size_t dx = 0; dx < out.size();) {
    const std::size_t left = out.size() - dx;
    const std::size_t n = left > 2 * kMost ? kMost : left > kMost ? (left + 1) / 2 : left;
    (avx2_ ? kAvx2 : kPlain)[n - 1](at(dx), out.data() + dx);
    dx += n;
  }
}

}  // namespace rebite::align

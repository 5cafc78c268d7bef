#include "align/bicubic.h"

#include <immintrin.h>

#include <cassert>
#include <opencv2/core/hal/intrin.hpp>

namespace rebite::align {
namespace {

using cv::v_float32x4;

// The four weights at the fraction t.
v_float32x4 catmull_rom(float t) {
  const v_float32x4 cube(-0.5F, 1.5F, -1.5F, 0.5F), square(1, -2.5F, 2, -0.5F),
      linear(-0.5F, 0, 0.5F, 0), constant(0, 1, 0, 0);
  const v_float32x4 at = cv::v_setall_f32(t);
  return v_muladd(v_muladd(v_muladd(cube, at, square), at, linear), at, constant);
}

float one(const float* p, std::size_t stride, float across, float down) {
  const v_float32x4 kx = catmull_rom(across);
  float ky[4];
  v_store(ky, catmull_rom(down));
  // Down the four columns at once, then across.
  v_float32x4 column = cv::v_load(p) * cv::v_setall_f32(ky[0]);
  for (std::size_t b = 1; b < 4; ++b)
    column = v_muladd(cv::v_load(p + b * stride), cv::v_setall_f32(ky[b]), column);
  float part[4];
  v_store(part, column * kx);
  return (part[0] + part[1]) + (part[2] + part[3]);
}

// Two places side by side, each in its half, in the order of operations of `one`.
struct Two {
  const float *low, *high;

  [[gnu::target("avx2")]] __m256 row(std::size_t at) const {
    return _mm256_insertf128_ps(
        _mm256_castps128_ps256(_mm_loadu_ps(low + at)), _mm_loadu_ps(high + at), 1);
  }
};

[[gnu::target("avx2")]] inline __m256 twice(__m128 v) {
  return _mm256_insertf128_ps(_mm256_castps128_ps256(v), v, 1);
}

[[gnu::target("avx2")]] inline __m256 weights_of_two(__m256 t) {
  __m256 w = _mm256_mul_ps(twice(_mm_setr_ps(-0.5F, 1.5F, -1.5F, 0.5F)), t);
  w = _mm256_add_ps(w, twice(_mm_setr_ps(1, -2.5F, 2, -0.5F)));
  w = _mm256_add_ps(_mm256_mul_ps(w, t), twice(_mm_setr_ps(-0.5F, 0, 0.5F, 0)));
  return _mm256_add_ps(_mm256_mul_ps(w, t), twice(_mm_setr_ps(0, 1, 0, 0)));
}

// What is left to be added up across, of two places whose fractions fill a half each.
[[gnu::target("avx2")]] inline __m256 products_of_two(const Two& at,
                                                      std::size_t stride,
                                                      __m256 across,
                                                      __m256 down) {
  const __m256 ky = weights_of_two(down);
  __m256 column = _mm256_mul_ps(at.row(0), _mm256_permute_ps(ky, 0x00));
  column = _mm256_add_ps(_mm256_mul_ps(at.row(stride), _mm256_permute_ps(ky, 0x55)), column);
  column = _mm256_add_ps(_mm256_mul_ps(at.row(2 * stride), _mm256_permute_ps(ky, 0xAA)), column);
  column = _mm256_add_ps(_mm256_mul_ps(at.row(3 * stride), _mm256_permute_ps(ky, 0xFF)), column);
  return _mm256_mul_ps(column, weights_of_two(across));
}

// Eight places at once: k and k + 4 side by side. Returns how many of them are done.
[[gnu::target("avx2")]] std::size_t by_eights(const float* picture,
                                              std::size_t stride,
                                              const BicubicPlaces& places,
                                              float* out) {
  std::size_t n = 0;
  for (; n + 8 <= places.first.size(); n += 8) {
    const int* first = places.first.data() + n;
    const __m256 x = _mm256_loadu_ps(places.across.data() + n);
    const __m256 y = _mm256_loadu_ps(places.down.data() + n);
    const auto at = [&](int k) { return Two{picture + first[k], picture + first[k + 4]}; };
    const __m256 a =
        products_of_two(at(0), stride, _mm256_permute_ps(x, 0x00), _mm256_permute_ps(y, 0x00));
    const __m256 b =
        products_of_two(at(1), stride, _mm256_permute_ps(x, 0x55), _mm256_permute_ps(y, 0x55));
    const __m256 c =
        products_of_two(at(2), stride, _mm256_permute_ps(x, 0xAA), _mm256_permute_ps(y, 0xAA));
    const __m256 d =
        products_of_two(at(3), stride, _mm256_permute_ps(x, 0xFF), _mm256_permute_ps(y, 0xFF));
    // hadd adds neighbours: (0 + 1), (2 + 3), and then those two.
    _mm256_storeu_ps(out + n, _mm256_hadd_ps(_mm256_hadd_ps(a, b), _mm256_hadd_ps(c, d)));
  }
  return n;
}

}  // namespace

void bicubic(const float* picture,
             std::size_t stride,
             const BicubicPlaces& places,
             std::span<float> out,
             Vectors vectors) {
  assert(places.across.size() == places.first.size() && places.down.size() == places.first.size() &&
         out.size() == places.first.size());
  std::size_t n = 0;
  if (with_avx2(vectors)) n = by_eights(picture, stride, places, out.data());
  for (; n < out.size(); ++n)
    out[n] = one(picture + places.first[n], stride, places.across[n], places.down[n]);
}

}  // namespace rebite::align

#include "align/area_resample.h"

#include <cmath>
#include <limits>
#include <vector>

#include "align/parallel.h"
#include "align/vectors.h"

namespace rebite::align {
namespace {

// The source pixels under one result pixel, along one axis.
struct Span {
  int first = 0;
  std::vector<float> weight;
};

std::vector<Span> spans(int source, int result, double step) {
  std::vector<Span> all(static_cast<std::size_t>(result));
  for (int i = 0; i < result; ++i) {
    Span& span = all[static_cast<std::size_t>(i)];
    const double from = i * step;
    const double to = std::min((i + 1) * step, static_cast<double>(source));
    span.first = std::min(static_cast<int>(from), source - 1);
    for (int k = span.first; k < source; ++k) {
      const double share = std::min(to, k + 1.0) - std::max(from, static_cast<double>(k));
      if (share < 1e-6) {
        if (!span.weight.empty()) break;
        span.first = std::min(k + 1, source - 1);  // a border that fell a hair short of a pixel
        continue;
      }
      span.weight.push_back(static_cast<float>(share));
    }
    if (span.weight.empty()) span.weight.push_back(1.0F);
  }
  return all;
}

int result_size(int source, double step) {
  return std::max(1, static_cast<int>(std::floor(source / step + 1e-6)));
}

// Adds weight * (row averaged over the spans) to sum, and the known area to area.
void add_row(
    const float* row, const std::vector<Span>& across, float weight, float* sum, float* area) {
  for (std::size_t i = 0; i < across.size(); ++i) {
    const Span& span = across[i];
    const float* p = row + span.first;
    float s = 0, a = 0;
    for (std::size_t k = 0; k < span.weight.size(); ++k) {
      const bool known = p[k] == p[k];
      s += known ? span.weight[k] * p[k] : 0.0F;
      a += known ? span.weight[k] : 0.0F;
    }
    sum[i] += weight * s;
    area[i] += weight * a;
  }
}

// The same where every span is two whole pixels, as from 600 to 300 dpi: bit by bit what add_row
// gives.
[[gnu::always_inline]] inline void add_pairs(
    const float* row, int n, float weight, float* sum, float* area) {
  for (int i = 0; i < n; ++i) {
    const float a = row[2 * i], b = row[2 * i + 1];
    sum[i] += weight * ((a == a ? a : 0.0F) + (b == b ? b : 0.0F));
    area[i] += weight * ((a == a ? 1.0F : 0.0F) + (b == b ? 1.0F : 0.0F));
  }
}
[[gnu::target("avx2")]] void add_pairs_avx2(
    const float* row, int n, float weight, float* sum, float* area) {
  add_pairs(row, n, weight, sum, area);
}

bool whole_pairs(const std::vector<Span>& spans) {
  for (std::size_t i = 0; i < spans.size(); ++i)
    if (spans[i].first != 2 * static_cast<int>(i) || spans[i].weight != std::vector{1.0F, 1.0F})
      return false;
  return true;
}

}  // namespace

cv::Mat1f area_resample(const cv::Mat1f& source, double step_x, double step_y, int threads) {
  if (std::abs(step_x - 1) < 1e-9 && std::abs(step_y - 1) < 1e-9) return source;
  const std::vector<Span> across = spans(source.cols, result_size(source.cols, step_x), step_x);
  const std::vector<Span> down = spans(source.rows, result_size(source.rows, step_y), step_y);
  cv::Mat1f result(static_cast<int>(down.size()), static_cast<int>(across.size()));
  const float full = static_cast<float>(step_x * step_y);
  const bool pairs = whole_pairs(across), avx2 = with_avx2(Vectors::widest);
  in_parallel(result.rows, threads, [&](int first, int last) {
    std::vector<float> sum(across.size()), area(across.size());
    for (int j = first; j < last; ++j) {
      std::fill(sum.begin(), sum.end(), 0.0F);
      std::fill(area.begin(), area.end(), 0.0F);
      const Span& span = down[static_cast<std::size_t>(j)];
      for (std::size_t k = 0; k < span.weight.size(); ++k) {
        const float* row = source[span.first + static_cast<int>(k)];
        if (pairs)
          avx2 ? add_pairs_avx2(row, result.cols, span.weight[k], sum.data(), area.data())
               : add_pairs(row, result.cols, span.weight[k], sum.data(), area.data());
        else
          add_row(row, across, span.weight[k], sum.data(), area.data());
      }
      float* out = result[j];
      for (std::size_t i = 0; i < across.size(); ++i)
        out[i] =
            area[i] >= 0.5F * full ? sum[i] / area[i] : std::numeric_limits<float>::quiet_NaN();
    }
  });
  return result;
}

}  // namespace rebite::align

#include "align/dense_panel.h"

#include <algorithm>
#include <cmath>
#include <cstddef>
#include <vector>

#include "align/parallel.h"

namespace rebite::align {
namespace {

constexpr int kRows = 8, kColumns = 4;  // of the block of c that is held in registers
constexpr int kPanel = 32;              // columns that are factored before the rest is brought up
constexpr double kWorthThreads = 2e6;   // multiplications, below which a thread costs more

// Doubles side by side, as many as AVX and as SSE2 have; anywhere in memory. (As members, because a
// template's argument loses such attributes.)
struct Four {
  typedef double Vector __attribute__((vector_size(32), aligned(8), may_alias));
};
struct Two {
  typedef double Vector __attribute__((vector_size(16), aligned(8), may_alias));
};

// Rows of `a` (n x k) in lots of `lot`, lot by lot, column by column, filled up with zeros.
void pack(const double* a, int stride, int n, int k, int lot, double* to) {
  for (int first = 0; first < n; first += lot) {
    const int rows = std::min(lot, n - first);
    for (int c = 0; c < k; ++c) {
      const double* from = a + static_cast<std::ptrdiff_t>(c) * stride + first;
      int r = 0;
      for (; r < rows; ++r) *to++ = from[r];
      for (; r < lot; ++r) *to++ = 0;
    }
  }
}

struct Block {
  double value[kRows * kColumns];  // column by column
};

// Sums of the products of 2 vectors of packed rows, from row `first` of their lot, with the four
// packed columns, over k.
template <class Lanes>
[[gnu::always_inline]] inline void products(
    const double* a, const double* b, int k, int first, Block& out) {
  using Vector = typename Lanes::Vector;
  constexpr int width = sizeof(Vector) / sizeof(double);
  Vector low[kColumns] = {}, high[kColumns] = {};
  a += first;
  for (int n = 0; n < k; ++n, a += kRows, b += kColumns) {
    const Vector top = *reinterpret_cast<const Vector*>(a);
    const Vector bottom = *reinterpret_cast<const Vector*>(a + width);
    for (int c = 0; c < kColumns; ++c) {
      low[c] += top * b[c];
      high[c] += bottom * b[c];
    }
  }
  for (int c = 0; c < kColumns; ++c) {
    *reinterpret_cast<Vector*>(out.value + kRows * c + first) = low[c];
    *reinterpret_cast<Vector*>(out.value + kRows * c + first + width) = high[c];
  }
}

// column -= factor * other, n numbers.
template <class Lanes>
[[gnu::always_inline]] inline void subtract(double* column,
                                            const double* other,
                                            double factor,
                                            int n) {
  using Vector = typename Lanes::Vector;
  constexpr int width = sizeof(Vector) / sizeof(double);
  int i = 0;
  for (; i + width <= n; i += width)
    *reinterpret_cast<Vector*>(column + i) -= *reinterpret_cast<const Vector*>(other + i) * factor;
  for (; i < n; ++i) column[i] -= other[i] * factor;
}

[[gnu::target("avx2")]] void products_avx2(const double* a, const double* b, int k, Block& out) {
  products<Four>(a, b, k, 0, out);
}
void products_plain(const double* a, const double* b, int k, Block& out) {
  products<Two>(a, b, k, 0, out);
  products<Two>(a, b, k, 4, out);
}
[[gnu::target("avx2")]] void subtract_avx2(double* column, const double* other, double f, int n) {
  subtract<Four>(column, other, f, n);
}
void subtract_plain(double* column, const double* other, double f, int n) {
  subtract<Two>(column, other, f, n);
}

struct Kernels {
  decltype(&products_plain) products;
  decltype(&subtract_plain) subtract;
};
Kernels kernels_for(Vectors vectors) {
  if (with_avx2(vectors)) return {products_avx2, subtract_avx2};
  return {products_plain, subtract_plain};
}

// c (rows x columns, columns <= rows) -= a b^T on and below the diagonal of its leading square,
// where b is the first `columns` rows of a.
void subtract_lower(const Kernels& kernels,
                    double* c,
                    int c_stride,
                    const double* a,
                    int a_stride,
                    int rows,
                    int columns,
                    int k,
                    int threads) {
  const auto rounded = [](int n, int lot) { return (n + lot - 1) / lot * lot; };
  const auto size = static_cast<std::size_t>(k);
  // Kept from panel to panel: a factor has thousands, and threads wait for each other in malloc.
  thread_local std::vector<double> tall_store, wide_store;
  tall_store.resize(
      std::max(tall_store.size(), static_cast<std::size_t>(rounded(rows, kRows)) * size));
  wide_store.resize(
      std::max(wide_store.size(), static_cast<std::size_t>(rounded(columns, kColumns)) * size));
  double *const tall = tall_store.data(), *const wide = wide_store.data();
  pack(a, a_stride, rows, k, kRows, tall);
  pack(a, a_stride, columns, k, kColumns, wide);
  const int lots = (columns + kColumns - 1) / kColumns;
  const auto lot = [&](int q) {
    Block block{};
    const int j0 = q * kColumns, width = std::min(kColumns, columns - j0);
    for (int i0 = j0 / kRows * kRows; i0 < rows; i0 += kRows) {
      kernels.products(tall + static_cast<std::size_t>(i0) * size,
                       wide + static_cast<std::size_t>(j0) * size,
                       k,
                       block);
      const int height = std::min(kRows, rows - i0);
      for (int j = 0; j < width; ++j) {
        double* to = c + static_cast<std::ptrdiff_t>(j0 + j) * c_stride + i0;
        for (int i = std::max(0, j0 + j - i0); i < height; ++i) to[i] -= block.value[kRows * j + i];
      }
    }
  };
  const double work = 1.0 * columns * rows * k;
  if (threads <= 1 || work < kWorthThreads) {
    for (int q = 0; q < lots; ++q) lot(q);
    return;
  }
  // Lots get shorter towards the right: one from the left, one from the right, and so on.
  const int crew = std::min(threads, lots);
  in_parallel(crew, crew, [&](int first, int last) {
    for (int t = first; t < last; ++t)
      for (int q = t; q < lots; q += crew) lot(q);
  });
}

// The same for few columns, column by column.
bool factor_columns(const Kernels& kernels, double* panel, int stride, int rows, int columns) {
  for (int c = 0; c < columns; ++c) {
    double* column = panel + static_cast<std::ptrdiff_t>(c) * stride;
    if (!(column[c] > 0)) return false;
    const double pivot = std::sqrt(column[c]), scale = 1 / pivot;
    column[c] = pivot;
    for (int i = c + 1; i < rows; ++i) column[i] *= scale;
    for (int j = c + 1; j < columns; ++j)
      kernels.subtract(
          panel + static_cast<std::ptrdiff_t>(j) * stride + j, column + j, column[j], rows - j);
  }
  return true;
}

}  // namespace

bool factor_panel(double* panel, int rows, int columns, int threads, Vectors vectors) {
  const Kernels kernels = kernels_for(vectors);
  for (int first = 0; first < columns; first += kPanel) {
    const int width = std::min(kPanel, columns - first), next = first + width;
    double* corner = panel + static_cast<std::ptrdiff_t>(first) * rows + first;
    if (!factor_columns(kernels, corner, rows, rows - first, width)) return false;
    if (next == columns) break;
    subtract_lower(kernels,
                   panel + static_cast<std::ptrdiff_t>(next) * rows + next,
                   rows,
                   corner + width,
                   rows,
                   rows - next,
                   columns - next,
                   width,
                   threads);
  }
  return true;
}

void subtract_square(double* c,
                     int c_stride,
                     const double* a,
                     int a_stride,
                     int n,
                     int k,
                     int threads,
                     Vectors vectors) {
  subtract_lower(kernels_for(vectors), c, c_stride, a, a_stride, n, n, k, threads);
}

}  // namespace rebite::align

// Which of the processor's vectors a kernel works on.
#pragma once

namespace rebite::align {

// All that it has (AVX2, else what every x86-64 has), or as on one without AVX2 (for tests). No
// kernel's result depends on it: sums have one order, and nothing is fused.
enum class Vectors { widest, plain };

inline bool with_avx2(Vectors vectors) {
  static const bool avx2 = __builtin_cpu_supports("avx2");
  return avx2 && vectors == Vectors::widest;
}

}  // namespace rebite::align

// Work split over threads in fixed pieces: every index is worked on by itself, so the number of
// threads cannot change a result. Sums over indices are taken afterwards, in order.
#pragma once

#include <algorithm>
#include <thread>
#include <vector>

namespace rebite::align {

// Calls work(first, last) on disjoint pieces that cover 0..n.
template <class Work>
void in_parallel(int n, int threads, const Work& work) {
  const int pieces = std::clamp(std::min(threads, n), 1, 64);
  if (pieces <= 1) {
    if (n > 0) work(0, n);
    return;
  }
  std::vector<std::jthread> crew;
  for (int k = 1; k < pieces; ++k) {
    const int first = static_cast<int>(static_cast<long long>(n) * k / pieces);
    const int last = static_cast<int>(static_cast<long long>(n) * (k + 1) / pieces);
    crew.emplace_back([&work, first, last] { work(first, last); });
  }
  work(0, n / pieces);
}

}  // namespace rebite::align

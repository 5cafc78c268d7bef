// Work split over threads in fixed pieces: every index is worked on by itself, so the number of
// threads cannot change a result. Sums over indices are taken afterwards, in order.
#pragma once

#include <algorithm>
#include <exception>
#include <thread>
#include <vector>

namespace rebite::align {

// Calls work(first, last) on disjoint pieces that cover 0..n. What a piece throws (no memory) is
// thrown here once all pieces are done.
template <class Work>
void in_parallel(int n, int threads, const Work& work) {
  const int pieces = std::clamp(std::min(threads, n), 1, 64);
  if (pieces <= 1) {
    if (n > 0) work(0, n);
    return;
  }
  std::vector<std::exception_ptr> thrown(static_cast<std::size_t>(pieces));
  const auto piece = [&](int k) {
    try {
      work(static_cast<int>(static_cast<long long>(n) * k / pieces),
           static_cast<int>(static_cast<long long>(n) * (k + 1) / pieces));
    } catch (...) {
      thrown[static_cast<std::size_t>(k)] = std::current_exception();
    }
  };
  {
    std::vector<std::jthread> crew;
    for (int k = 1; k < pieces; ++k) crew.emplace_back(piece, k);
    piece(0);
  }
  for (const auto& e : thrown) {
    if (e) std::rethrow_exception(e);
  }
}

}  // namespace rebite::align

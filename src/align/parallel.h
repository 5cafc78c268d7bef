// Work split over threads in fixed pieces: every index is worked on by itself, so the number of
// threads cannot change a result. Sums over indices are taken afterwards, in order.
#pragma once

#include <algorithm>
#include <atomic>
#include <exception>
#include <thread>
#include <vector>

namespace rebite::align {

// Calls work(first, last) on disjoint pieces that cover 0..n, some for each thread: whoever is done
// takes the next one, since places differ and another program may hold a core. The first piece is
// always the caller's own. What a piece throws (no memory) is thrown here once all pieces are done.
template <class Work>
void in_parallel(int n, int threads, const Work& work) {
  constexpr int each = 4;
  const int crew_size = std::clamp(std::min(threads, n), 1, 64);
  if (crew_size <= 1) {
    if (n > 0) work(0, n);
    return;
  }
  const int pieces = std::min(n, each * crew_size);
  std::vector<std::exception_ptr> thrown(static_cast<std::size_t>(pieces));
  std::atomic<int> next = crew_size;
  const auto take_pieces = [&](int k) {
    for (; k < pieces; k = next++) {
      try {
        work(static_cast<int>(static_cast<long long>(n) * k / pieces),
             static_cast<int>(static_cast<long long>(n) * (k + 1) / pieces));
      } catch (...) {
        thrown[static_cast<std::size_t>(k)] = std::current_exception();
      }
    }
  };
  {
    std::vector<std::jthread> crew;
    for (int k = 1; k < crew_size; ++k) crew.emplace_back(take_pieces, k);
    take_pieces(0);
  }
  for (const auto& e : thrown) {
    if (e) std::rethrow_exception(e);
  }
}

}  // namespace rebite::align

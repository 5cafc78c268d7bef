// Work that is spread over the processor's cores. What each piece does depends on nothing that
// another one does, so their number and order change no result.
#pragma once

#include <algorithm>
#include <atomic>
#include <functional>
#include <opencv2/core/utility.hpp>
#include <vector>

namespace rebite::tone {

// work(k) for every k below n, whichever core is free taking the next one. Inside of such work no
// further cores are taken.
template <class Work>
void for_each_of(int n, const Work& work) {
  std::atomic<int> next = 0;
  const int crew = std::clamp(cv::getNumThreads(), 1, std::max(1, n));
  cv::parallel_for_(
      cv::Range(0, crew),
      [&](const cv::Range& some) {
        for (int one = some.start; one < some.end; ++one)
          for (int k = next++; k < n; k = next++) work(k);
      },
      crew);
}

// Side by side, the longest first.
inline void at_once(const std::vector<std::function<void()>>& tasks) {
  for_each_of(static_cast<int>(tasks.size()), [&](int k) { tasks[static_cast<std::size_t>(k)](); });
}

}  // namespace rebite::tone

// OpenCV's parallel loops on plain threads, for the thread sanitizer only: it does not see how TBB,
// which OpenCV otherwise uses, hands work over, and takes every loop for a race.
#include <algorithm>
#include <atomic>
#include <memory>
#include <opencv2/core/parallel/parallel_backend.hpp>
#include <thread>
#include <utility>
#include <vector>

namespace {

thread_local int this_thread = 0;

class PlainThreads final : public cv::parallel::ParallelForAPI {
 public:
  void parallel_for(int tasks, FN_parallel_for_body_cb_t body, void* data) override {
    std::atomic<int> next = 0;
    const auto work = [&](int thread) {
      const int before = std::exchange(this_thread, thread);
      for (int k = next++; k < tasks; k = next++) body(k, k + 1, data);
      this_thread = before;
    };
    std::vector<std::jthread> crew;
    for (int t = 1; t < std::min(count_, tasks); ++t) crew.emplace_back(work, t);
    work(0);
  }
  int getThreadNum() const override { return this_thread; }
  int getNumThreads() const override { return count_; }
  int setNumThreads(int count) override {
    return std::exchange(count_, count > 0 ? count : 2);
  }
  const char* getName() const override { return "plain threads"; }

 private:
  int count_ = 2;
};

const bool set = [] {
  cv::parallel::setParallelForBackend(std::make_shared<PlainThreads>());
  return true;
}();

}  // namespace

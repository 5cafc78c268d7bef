// Ctrl-C: asks the work to stop, and ends it for sure within half a second, leaving nothing behind.
#pragma once

#include <atomic>
#include <stop_token>
#include <thread>

namespace rebite::cli {

// Blocks SIGINT and SIGTERM for the whole process while alive and waits for them on a thread of its
// own, so that no work is done inside a signal handler. Make one before any other thread.
class InterruptWatch {
 public:
  InterruptWatch();
  ~InterruptWatch();
  InterruptWatch(const InterruptWatch&) = delete;
  InterruptWatch& operator=(const InterruptWatch&) = delete;
  std::stop_token token() const { return source_.get_token(); }
  // What the shell calls an end by the signal that came: 130 for SIGINT (Ctrl-C), 143 for SIGTERM,
  // which is 128 and the signal's number (POSIX, Shell Command Language 2.8.2). 0 before one came.
  int exit_code() const { return signal_ ? 128 + signal_ : 0; }

 private:
  std::stop_source source_;
  std::atomic<bool> done_{false};
  std::atomic<int> signal_{0};
  std::thread watcher_;
};

}  // namespace rebite::cli

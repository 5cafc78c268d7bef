#include "cli/interrupt.h"

#include <csignal>
#include <ctime>

#include "jobs/leave.h"

namespace rebite::cli {
namespace {

// Ticks of 50 ms that work has to stop by itself: a plan of 70 megapixels then takes 0.2 s more to
// give its memory back, of the half second that an end may take.
constexpr int kPatience = 3;
// Where outputs are in place already: the book's entry is all that is left, and is soon made.
constexpr int kPatienceToFinish = 8;

sigset_t interrupts() {
  sigset_t set;
  sigemptyset(&set);
  sigaddset(&set, SIGINT);
  sigaddset(&set, SIGTERM);
  return set;
}

}  // namespace

InterruptWatch::InterruptWatch() {
  const sigset_t set = interrupts();
  pthread_sigmask(SIG_BLOCK, &set, nullptr);
  watcher_ = std::thread([this] {
    const sigset_t waited = interrupts();
    const timespec tick{0, 50'000'000};
    int ticks_since_asked = -1;
    while (!done_) {
      const int came = sigtimedwait(&waited, nullptr, &tick);
      if (done_) break;  // what came is the destructor's call, or comes too late to stop anything
      if (came > 0 && ticks_since_asked < 0) {
        signal_ = came;
        source_.request_stop();
        ticks_since_asked = 0;
      } else if (ticks_since_asked >= (jobs::outputs_are_there() ? kPatienceToFinish : kPatience)) {
        jobs::leave_stopped(exit_code());
      } else if (ticks_since_asked >= 0) {
        ++ticks_since_asked;
      }
    }
  });
}

InterruptWatch::~InterruptWatch() {
  done_ = true;
  // Called out of its wait, to itself alone: up to a whole tick else, twice what --help takes.
  // (It is blocked there and waited for: it ends no thread.)
  pthread_kill(watcher_.native_handle(), SIGTERM);  // NOLINT(bugprone-bad-signal-to-kill-thread)
  watcher_.join();
  const sigset_t set = interrupts();
  pthread_sigmask(SIG_UNBLOCK, &set, nullptr);
}

}  // namespace rebite::cli

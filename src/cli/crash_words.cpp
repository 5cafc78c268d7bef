#include "cli/crash_words.h"

#include <poll.h>
#include <unistd.h>

#include <csignal>
#include <string_view>

namespace rebite::cli {
namespace {

constexpr std::string_view words =
    "\nrebite: It broke off through a fault of its own. No file is half written; what it was doing may "
    "be missing.\n"
    "Close other programs, for memory may have run out, and start it again. If it breaks off again, "
    "please report it with what it was given.\n";

// In a signal handler only what POSIX lists as safe there may be called (System Interfaces 2.4.3).
void tell(int signal) {
  pollfd reader{STDERR_FILENO, POLLOUT, 0};  // a full pipe that nobody reads would hold it for ever
  if (::poll(&reader, 1, 0) == 1) {
    [[maybe_unused]] const auto written = ::write(STDERR_FILENO, words.data(), words.size());
  }
  ::raise(signal);  // held back until this returns, and then by the usual rule (SA_RESETHAND)
}

// A stack that ran over leaves none to tell it on.
void give_a_stack_of_its_own() {
  static char room[1U << 16U];
  stack_t stack = {};
  stack.ss_sp = room;
  stack.ss_size = sizeof room;
  ::sigaltstack(&stack, nullptr);
}

}  // namespace

void tell_crashes() {
  for (const int signal : {SIGSEGV, SIGBUS, SIGFPE, SIGILL, SIGABRT}) {
    struct sigaction before = {}, mine = {};
    if (::sigaction(signal, nullptr, &before) != 0 || before.sa_handler != SIG_DFL) continue;
    if (signal == SIGSEGV) give_a_stack_of_its_own();
    mine.sa_handler = tell;
    mine.sa_flags = static_cast<int>(SA_ONSTACK | SA_RESETHAND);
    ::sigaction(signal, &mine, nullptr);
  }
}

}  // namespace rebite::cli

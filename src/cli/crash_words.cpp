#include "cli/crash_words.h"

#include <unistd.h>

#include <csignal>
#include <string_view>

namespace rebite::cli {
namespace {

constexpr std::string_view words =
    "rebite: a fault of Rebite ended it in the middle of its work. Outputs and the record are the old "
    "ones, or complete.\n"
    "Close other programs, for memory may have run out, and run it again; if it fails again, please "
    "report it together with the scans.\n";

// In a signal handler only what POSIX lists as safe there may be called (System Interfaces 2.4.3).
void tell(int signal) {
  [[maybe_unused]] const auto written = ::write(STDERR_FILENO, words.data(), words.size());
  ::raise(signal);  // held back until this returns, and then by the usual rule (SA_RESETHAND)
}

// A stack that ran over leaves none to tell it on.
void tell_on_a_stack_of_its_own() {
  static char room[1U << 16U];
  stack_t stack = {};
  stack.ss_sp = room;
  stack.ss_size = sizeof room;
  ::sigaltstack(&stack, nullptr);
}

}  // namespace

void tell_crashes() {
  tell_on_a_stack_of_its_own();
  for (const int signal : {SIGSEGV, SIGBUS, SIGFPE, SIGILL, SIGABRT}) {
    struct sigaction before = {}, mine = {};
    if (::sigaction(signal, nullptr, &before) != 0 || before.sa_handler != SIG_DFL) continue;
    mine.sa_handler = tell;
    mine.sa_flags = static_cast<int>(SA_ONSTACK | SA_RESETHAND);
    ::sigaction(signal, &mine, nullptr);
  }
}

}  // namespace rebite::cli

#include "cli/console.h"

#include <fmt/format.h>
#include <unistd.h>

#include <cerrno>
#include <cstdio>
#include <cstdlib>
#include <cstring>

namespace rebite::cli {
namespace {
using Clock = std::chrono::steady_clock;
using namespace std::chrono_literals;

bool set_and_not_empty(const char* name) {
  const char* value = std::getenv(name);
  return value && *value;
}

// Where stderr takes nothing (a full disk), the work and its exit code must not suffer from it;
// fmt::print would throw.
void say(const std::string& text) { std::fputs(text.c_str(), stderr); }

}  // namespace

Console::Console() : start_(Clock::now()), last_(start_) {
  const char* term = std::getenv("TERM");
  terminal_ = ::isatty(STDERR_FILENO) && term && std::string_view(term) != "dumb";
  colour_ = terminal_ && !set_and_not_empty("NO_COLOR");
}

int Console::result(std::string_view text) {
  end_progress();
  if (std::fwrite(text.data(), 1, text.size(), stdout) == text.size() && std::fflush(stdout) == 0) {
    return 0;
  }
  return problem({ProblemKind::io,
                  fmt::format("The result could not be printed: {}", std::strerror(errno)),
                  "Send the output to a place that has room."});
}

void Console::notes(const Notes& notes) {
  end_progress();
  for (const auto& note : notes) say(fmt::format("note: {}\n", note));
}

int Console::problem(const Problem& problem) {
  end_progress();
  const char* on = colour_ ? "\x1b[1m" : "";
  const char* off = colour_ ? "\x1b[0m" : "";
  say(fmt::format("{}rebite: {}{}\n", on, problem.what, off));
  if (!problem.next.empty()) say(problem.next + "\n");
  return static_cast<int>(problem.kind);
}

void Console::show(double fraction, std::string_view doing) {
  const auto now = Clock::now();
  if (now - start_ < 500ms || now - last_ < (terminal_ ? 100ms : 10'000ms)) return;
  last_ = now;
  const double percent = 100 * fraction;
  if (!terminal_) {
    say(fmt::format("{:3.0f} % {}\n", percent, doing));
    return;
  }
  std::string left;
  const double spent = std::chrono::duration<double>(now - start_).count();
  if (fraction > 0.1 && spent > 2) {
    left = fmt::format(", about {:.0f} s left", spent / fraction * (1 - fraction) + 0.5);
  }
  const auto filled = static_cast<std::size_t>(fraction * 24);
  say(fmt::format(
      "\r\x1b[K[{:-<24}] {:3.0f} %  {}{}", std::string(filled, '#'), percent, doing, left));
  std::fflush(stderr);
  bar_shown_ = true;
}

void Console::end_progress() {
  if (!bar_shown_) return;
  say("\r\x1b[K");
  std::fflush(stderr);
  bar_shown_ = false;
}

Progress Console::progress(std::stop_token stop) {
  start_ = last_ = Clock::now();
  return {[this](double fraction, std::string_view doing) { show(fraction, doing); },
          std::move(stop)};
}

}  // namespace rebite::cli

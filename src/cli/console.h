// What the command line says and where: results on stdout, everything else on stderr.
#pragma once

#include <chrono>
#include <string>
#include <string_view>

#include "units/problem.h"
#include "units/progress.h"

namespace rebite::cli {

class Console {
 public:
  Console();

  // Result text or the one JSON object. Returns 0, or 74 when stdout does not take it.
  int result(std::string_view text);
  // "note: ..." lines on stderr.
  void notes(const Notes& notes);
  // One or two lines on stderr; returns the exit code of the problem.
  int problem(const Problem& problem);

  // A bar on a terminal, plain "43 % ..." lines every ten seconds otherwise; silent for the first
  // half second, and never on stdout.
  Progress progress(std::stop_token stop = {});
  void end_progress();

  bool colour_on_stderr() const { return colour_; }

 private:
  void show(double fraction, std::string_view doing);

  bool terminal_ = false;
  bool colour_ = false;
  bool bar_shown_ = false;
  std::chrono::steady_clock::time_point start_, last_;
};

}  // namespace rebite::cli

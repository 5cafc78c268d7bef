// How long work tells how far it is, and hears that it should stop. Rooms never print.
#pragma once

#include <functional>
#include <stop_token>
#include <string_view>

namespace rebite {

struct Progress {
  // fraction of the current errand done, 0..1, and in a few words what is being done.
  std::function<void(double fraction, std::string_view doing)> report;
  std::stop_token stop;

  void at(double fraction, std::string_view doing) const {
    if (report) report(fraction, doing);
  }
  bool stopped() const { return stop.stop_requested(); }
  // A part of this errand that runs from `from` to `to` of it.
  Progress part(double from, double to) const {
    if (!report) return {nullptr, stop};
    return {[outer = report, from, to](double f, std::string_view doing) {
              outer(from + f * (to - from), doing);
            },
            stop};
  }
};

}  // namespace rebite

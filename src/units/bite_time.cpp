#include "units/bite_time.h"

#include <cmath>
#include <cstdio>

namespace rebite {

std::string clock_text(BiteTime t) {
  const bool negative = t.in_seconds() <= -0.5;
  const long s = std::lround(std::fabs(t.in_seconds()));
  char text[48];
  if (s >= 3600) {
    std::snprintf(text, sizeof text, "%ld:%02ld:%02ld", s / 3600, s / 60 % 60, s % 60);
  } else {
    std::snprintf(text, sizeof text, "%ld:%02ld", s / 60, s % 60);
  }
  return negative ? "-" + std::string(text) : text;
}

std::string duration_text(BiteTime t) {
  const auto words = [](long large, const char* large_unit, long small, const char* small_unit) {
    std::string out = large > 0 ? std::to_string(large) + large_unit : "";
    if (small > 0 || large == 0) out += (large > 0 ? " " : "") + std::to_string(small) + small_unit;
    return out;
  };
  if (t < BiteTime::minutes(2)) {
    const long s = std::lround(t.in_seconds());
    return words(s / 60, " min", s % 60, " s");
  }
  const long m = std::lround(t.in_minutes());
  return words(m / 60, " h", m % 60, " min");
}

}  // namespace rebite

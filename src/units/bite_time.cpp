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

}  // namespace rebite

// Time in the bath.
#pragma once

#include <compare>
#include <string>

namespace rebite {

// A span of time in the mordant. Seconds stay seconds: nothing is rounded to minutes.
class BiteTime {
 public:
  static constexpr BiteTime minutes(double m) { return BiteTime{m}; }
  static constexpr BiteTime seconds(double s) { return BiteTime{s / 60.0}; }
  constexpr double in_minutes() const { return min_; }
  constexpr double in_seconds() const { return min_ * 60.0; }
  friend constexpr auto operator<=>(BiteTime, BiteTime) = default;
  friend constexpr BiteTime operator+(BiteTime a, BiteTime b) { return BiteTime{a.min_ + b.min_}; }
  friend constexpr BiteTime operator-(BiteTime a, BiteTime b) { return BiteTime{a.min_ - b.min_}; }
  friend constexpr BiteTime operator*(BiteTime a, double k) { return BiteTime{a.min_ * k}; }

 private:
  explicit constexpr BiteTime(double m) : min_(m) {}
  double min_;
};

// As a clock shows it: "0:05", "2:30", "1:02:00" from one hour on. Rounded to whole seconds.
std::string clock_text(BiteTime t);
// In words, for spans that nobody times with a clock: "45 s", "24 min", "1 h 45 min". Rounded to
// whole seconds below two minutes, to whole minutes from there on.
std::string duration_text(BiteTime t);

}  // namespace rebite

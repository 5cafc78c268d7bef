#include "units/parse.h"

#include <array>
#include <charconv>
#include <cmath>
#include <optional>

namespace rebite {
namespace {

constexpr std::string_view time_forms = "Write times like 15s, 2.5min or 2:30.";

std::string_view trimmed(std::string_view t) {
  while (!t.empty() && (t.front() == ' ' || t.front() == '\t')) t.remove_prefix(1);
  while (!t.empty() && (t.back() == ' ' || t.back() == '\t')) t.remove_suffix(1);
  return t;
}

// A plain decimal number at the front: digits, one point, no sign, no exponent, no locale.
std::optional<double> take_number(std::string_view& text) {
  std::size_t n = 0;
  while (n < text.size() && ((text[n] >= '0' && text[n] <= '9') || text[n] == '.')) ++n;
  double value = 0;
  const auto [end, error] =
      std::from_chars(text.data(), text.data() + n, value, std::chars_format::fixed);
  if (n == 0 || error != std::errc{} || end != text.data() + n) return std::nullopt;
  text.remove_prefix(n);
  return value;
}

// Seconds per unit for the unit word at the front, which is removed.
std::optional<double> take_time_unit(std::string_view& text) {
  constexpr std::array<std::pair<std::string_view, double>, 9> units{{{"minutes", 60},
                                                                      {"minute", 60},
                                                                      {"min", 60},
                                                                      {"seconds", 1},
                                                                      {"second", 1},
                                                                      {"sec", 1},
                                                                      {"m", 60},
                                                                      {"s", 1},
                                                                      {"h", 3600}}};
  text = trimmed(text);
  for (const auto& [word, seconds] : units) {
    if (text.starts_with(word)) {
      text.remove_prefix(word.size());
      return seconds;
    }
  }
  return std::nullopt;
}

std::unexpected<Problem> bad_time(std::string_view text, std::string_view why) {
  return refuse(ProblemKind::usage,
                "'" + std::string(text) + "' is not a time: " + std::string(why),
                std::string(time_forms));
}

// m:ss or h:mm:ss, where only the last part may have decimals.
std::optional<double> clock_seconds(std::string_view text) {
  double total = 0;
  int parts = 0;
  while (true) {
    const auto colon = text.find(':');
    std::string_view part = text.substr(0, colon);
    const bool first = parts == 0;
    const bool last = colon == std::string_view::npos;
    if (!first && (part.size() < 2 || part[0] == '.' || part[1] == '.')) return std::nullopt;
    if (!last && part.find('.') != std::string_view::npos) return std::nullopt;
    const auto value = take_number(part);
    if (!value || !part.empty() || (!first && *value >= 60)) return std::nullopt;
    total = total * 60 + *value;
    ++parts;
    if (last) break;
    text.remove_prefix(colon + 1);
  }
  return parts == 2 || parts == 3 ? std::optional(total) : std::nullopt;
}

// The comma-separated parts; an empty part stays and is refused by whoever reads it.
std::vector<std::string_view> parts_of(std::string_view text) {
  std::vector<std::string_view> parts;
  while (true) {
    const auto comma = text.find(',');
    parts.push_back(trimmed(text.substr(0, comma)));
    if (comma == std::string_view::npos) return parts;
    text.remove_prefix(comma + 1);
  }
}

}  // namespace

Result<BiteTime> parse_time(std::string_view whole) {
  std::string_view text = trimmed(whole);
  double seconds = 0;
  if (text.find(':') != std::string_view::npos) {
    const auto clock = clock_seconds(text);
    if (!clock) return bad_time(whole, "a clock time has two digits after each colon, below 60");
    seconds = *clock;
  } else {
    bool any = false;
    double smallest = 1e9;
    while (!text.empty() || !any) {
      const auto number = take_number(text);
      if (!number) {
        return bad_time(
            whole, text.starts_with('-') ? "a time is never negative" : "a number is missing");
      }
      if (text.empty() && !any) {
        if (*number == 0) return BiteTime::minutes(0);
        return bad_time(whole, "its unit is missing");
      }
      const auto unit = take_time_unit(text);
      if (!unit) return bad_time(whole, "the unit is not known");
      if (*unit >= smallest) return bad_time(whole, "its parts are not in order");
      smallest = *unit;
      seconds += *number * *unit;
      any = true;
      text = trimmed(text);
    }
  }
  if (!(seconds <= 48 * 3600.0)) return bad_time(whole, "it is longer than 48 hours");
  return BiteTime::seconds(seconds);
}

Result<std::vector<BiteTime>> parse_times(std::string_view text) {
  std::vector<BiteTime> times;
  for (const auto part : parts_of(text)) {
    auto time = parse_time(part);
    if (!time) return std::unexpected(time.error());
    times.push_back(*time);
  }
  return times;
}

Result<double> parse_number(std::string_view whole) {
  std::string_view text = trimmed(whole);
  const bool negative = text.starts_with('-');
  if (negative) text.remove_prefix(1);
  const auto value = take_number(text);
  if (!value || !text.empty() || !std::isfinite(*value)) {
    return refuse(ProblemKind::usage,
                  "'" + std::string(whole) + "' is not a number",
                  "Write plain numbers with a decimal point, like 0.75.");
  }
  return negative ? -*value : *value;
}

Result<std::vector<double>> parse_numbers(std::string_view text) {
  std::vector<double> numbers;
  for (const auto part : parts_of(text)) {
    const auto number = parse_number(part);
    if (!number) return std::unexpected(number.error());
    numbers.push_back(*number);
  }
  return numbers;
}

Result<SizeMm> parse_size(std::string_view whole) {
  const auto bad = [&] {
    return refuse(ProblemKind::usage,
                  "'" + std::string(whole) + "' is not a plate size",
                  "Write width x height, like 180x130 (mm), 18x13cm or 7x5in; 5 mm to 2 m a side.");
  };
  std::string_view text = trimmed(whole);
  const auto width = take_number(text);
  text = trimmed(text);
  if (!width || text.empty() || (text.front() != 'x' && text.front() != 'X')) return bad();
  text.remove_prefix(1);
  text = trimmed(text);
  const auto height = take_number(text);
  if (!height) return bad();
  text = trimmed(text);
  double mm = 1;
  if (text == "in" || text == "\"") {
    mm = 25.4;
  } else if (text == "cm") {
    mm = 10;
  } else if (!text.empty() && text != "mm") {
    return bad();
  }
  const SizeMm size{*width * mm, *height * mm};
  const auto fits = [](double side) { return side >= 5 && side <= 2000; };
  if (!fits(size.width) || !fits(size.height)) return bad();
  return size;
}

Result<Temperature> parse_temperature(std::string_view whole) {
  const auto bad = [&](std::string_view why) {
    return refuse(ProblemKind::usage,
                  "'" + std::string(whole) + "' is not a bath temperature: " + std::string(why),
                  "Write it with its scale, like 21C or 70F.");
  };
  std::string_view text = trimmed(whole);
  const bool negative = text.starts_with('-');
  if (negative) text.remove_prefix(1);
  const auto number = take_number(text);
  if (!number) return bad("a number is missing");
  const double value = negative ? -*number : *number;
  text = trimmed(text);
  if (text.starts_with("\u00b0")) text = trimmed(text.substr(2));
  if (text != "C" && text != "c" && text != "F" && text != "f") return bad("its scale is missing");
  const bool celsius = text == "C" || text == "c";
  const Temperature t = celsius ? Temperature::celsius(value) : Temperature::fahrenheit(value);
  if (t.in_celsius() < -10 || t.in_celsius() > 100) return bad("it is outside -10 to 100 C");
  return t;
}

}  // namespace rebite

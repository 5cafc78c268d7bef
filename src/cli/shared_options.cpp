#include <CLI/CLI.hpp>
#include <cstdlib>
#include <ctime>

#include "cli/command.h"
#include "units/parse.h"

namespace rebite::cli {

void add_scan_options(CLI::App& command, jobs::ScanChoice& choice) {
  command
      .add_option("--scanner",
                  choice.scanner,
                  "the scanner's own curve, NAME.scanner.json, made by 'rebite scanner'")
      ->type_name("FILE");
  command
      .add_option("--blank",
                  choice.blank,
                  "a scan of a blank sheet with the same settings, for uneven light")
      ->type_name("SCAN");
  command.add_option("--dpi", choice.dpi, "the resolution of scans whose file does not say it")
      ->type_name("N")
      ->check(CLI::Range(20.0, 20000.0));
}

void add_other_scanner(CLI::App& command, jobs::ScanChoice& choice) {
  command.add_flag("--other-scanner",
                   choice.other_scanner,
                   "the wedge was read with another scanner curve than these scans (or one of them "
                   "without), and that is meant: each as its own scanner needs it");
}

const CLI::Validator& finite_number() {
  static const CLI::Validator check(
      [](const std::string& text) {
        const auto number = parse_number(text);
        return number ? std::string() : number.error().what;
      },
      "");
  return check;
}

void add_json_flag(CLI::App& command, bool& json) {
  command.add_flag("--json", json, "print one JSON object on stdout instead of text");
}

std::string today() {
  std::tm day{};
  if (const char* fixed = std::getenv("SOURCE_DATE_EPOCH")) {
    const std::time_t then = std::strtoll(fixed, nullptr, 10);
    ::gmtime_r(&then, &day);
  } else {
    const std::time_t now = std::time(nullptr);
    ::localtime_r(&now, &day);
  }
  char text[32];
  std::strftime(text, sizeof text, "%Y-%m-%d", &day);
  return text;
}

}  // namespace rebite::cli

#include <CLI/CLI.hpp>

#include "cli/command.h"

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

void add_json_flag(CLI::App& command, bool& json) {
  command.add_flag("--json", json, "print one JSON object on stdout instead of text");
}

}  // namespace rebite::cli

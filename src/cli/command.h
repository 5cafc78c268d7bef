// One file per command: each adds its options to the program and answers with an exit code.
#pragma once

#include <filesystem>
#include <functional>
#include <string>

#include "cli/console.h"
#include "cli/run.h"
#include "jobs/inputs.h"

namespace CLI {
class App;
class Validator;
}

namespace rebite::cli {

struct Surroundings {
  Console& console;
  std::stop_token stop;
  int exit_code = 0;  // set by the command that ran
  ServePage serve_page = {};
};

void add_scanner(CLI::App&, Surroundings&);
void add_wedge(CLI::App&, Surroundings&);
void add_read(CLI::App&, Surroundings&);
void add_align(CLI::App&, Surroundings&);
void add_plan(CLI::App&, Surroundings&);
void add_book(CLI::App&, Surroundings&);
void add_page(CLI::App&, Surroundings&);

// Options that several commands share, with the same words everywhere.
void add_scan_options(CLI::App& command, jobs::ScanChoice& choice);
void add_other_scanner(CLI::App& command, jobs::ScanChoice& choice);
// Beside a CLI::Range, which lets "nan" pass.
const CLI::Validator& finite_number();
void add_json_flag(CLI::App& command, bool& json);

// The local day: a plate bitten late in the evening was bitten that day. SOURCE_DATE_EPOCH
// (reproducible-builds.org: seconds of UTC) fixes it, the same in every time zone.
std::string today();

}  // namespace rebite::cli

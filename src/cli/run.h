// The command line: arguments in, text and exit code out.
#pragma once

namespace rebite::cli {

// Exit codes of interface.md (BSD sysexits).
int run(int argc, char** argv);

}  // namespace rebite::cli

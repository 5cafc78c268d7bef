// The command line: arguments in, text and exit code out.
#pragma once

namespace rebite::cli {

// Exit codes of interface.md (BSD sysexits).
int run(int argc, char** argv);

// The same without what belongs to a whole process (signals, standard descriptors): understands
// the arguments and does the errand. For the fuzz target.
struct Surroundings;
int obey(int argc, char** argv, Surroundings& around);

}  // namespace rebite::cli

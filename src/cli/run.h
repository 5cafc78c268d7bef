// The command line: arguments in, text and exit code out.
#pragma once

#include <filesystem>
#include <functional>
#include <stop_token>
#include <string>

#include "units/problem.h"

namespace rebite::cli {

// The local page is another room, which only main.cpp knows: it serves the book on a port (0: any)
// until it is stopped, and calls `ready` with its address.
using PageReady = std::function<void(const std::string& address)>;
using ServePage = std::function<Result<void>(const std::filesystem::path& book,
                                             unsigned short port,
                                             const PageReady& ready,
                                             std::stop_token stop)>;

// Exit codes of interface.md (BSD sysexits).
int run(int argc, char** argv, const ServePage& serve_page);

// The same without what belongs to a whole process (signals, standard descriptors): understands
// the arguments and does the errand. For the fuzz target.
struct Surroundings;
int obey(int argc, char** argv, Surroundings& around);

}  // namespace rebite::cli

// "--stag" -> "--stages": the option or command that a slip of the finger was probably meant to be.
#pragma once

#include <string>
#include <string_view>

namespace CLI {
class App;
}

namespace rebite::cli {

// Looks for the unknown word in the parser's message among the command's options and sub-commands;
// empty when nothing is near (edit distance at most 2, Levenshtein 1966).
std::string near_miss(const CLI::App& command, std::string_view message);

}  // namespace rebite::cli

// What can go wrong through a user's input, and how it is told.
//
// Three kinds of trouble, three tools: a bad scan or option is a Problem (returned); a broken rule
// inside the program is an assertion; a broken machine (disk, memory, database) throws and is
// caught once, in jobs.
#pragma once

#include <expected>
#include <string>
#include <vector>

namespace rebite {

// The values are the BSD sysexits numbers that the command line returns.
enum class ProblemKind {
  usage = 64,          // the command was written wrongly
  data = 65,           // the content cannot be used: refused
  no_input = 66,       // a file is missing or not readable
  internal = 70,       // a fault of ours
  cannot_create = 73,  // an output cannot be created
  io = 74,             // reading or writing failed (disk full)
  stopped = 130,       // the user pressed Ctrl-C
};

struct Problem {
  ProblemKind kind = ProblemKind::internal;
  std::string
      what;  // one sentence: what is wrong, with the file's name and the two numbers compared
  std::string next;  // one sentence: what to do next
};

template <class T>
using Result = std::expected<T, Problem>;

inline std::unexpected<Problem> refuse(ProblemKind kind, std::string what, std::string next) {
  return std::unexpected(Problem{kind, std::move(what), std::move(next)});
}

// Doubts that do not stop the work; they ride along into JSON, sheets and book.
using Notes = std::vector<std::string>;

}  // namespace rebite

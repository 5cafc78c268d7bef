// The commands that the fault tests run, each with what it writes, and the rule that every fault is
// held to: an output is the old one or the complete new one, nothing else is left, and a failed run
// says so with the right exit code and a file's name.
#pragma once

#include <map>
#include <string>
#include <vector>

#include "tests/faults/child.h"

namespace rebite::faults {

struct Command {
  std::string name;
  std::vector<std::string> arguments;  // "{}" stands for the work folder
  std::vector<std::string> old;        // files there before, each "old NAME" (plan.json: a plan)
  bool book = false;                   // writes in work/book.sqlite
};

// scanner, wedge, read, align (its picture), copy, export and report (of a book), plan (with an older
// plan in place), book, recorded (a plan that goes into the book and is kept beside it).
const std::vector<Command>& commands();
const Command& command(const std::string& name);

// The n-th allocation fails, with `and_later` "+" all after it too. Those that Cairo and what it draws
// with make for themselves are not counted: they do not bear it (DEVELOPERS.md, faults).
Conditions failing_allocation(long n, const std::string& and_later = "");

// One command with its clean result, ready to be run again and again under faults.
class Trial {
 public:
  explicit Trial(const Command& command);

  struct Verdict {
    Ended ended;
    std::string fault;  // what broke the rule; empty: kept
  };
  // Puts the old files in place, runs, and judges.
  Verdict run(const Conditions& conditions);

  std::map<std::string, long> counts();
  long allocations();  // those that failing_allocation counts
  double clean_seconds() const { return clean_.seconds; }
  const WorkFolder& work() const { return work_; }

 private:
  void reset();
  std::string judge(const Ended& ended, const Conditions& conditions) const;
  std::string judge_book(const Ended& ended, bool killed) const;
  std::string judge_folders(const Snapshot& now, bool killed) const;

  Command command_;
  WorkFolder work_;
  std::vector<std::string> arguments_;
  Snapshot before_, after_;
  std::string told_after_;  // what the book tells after the clean run
  Ended clean_;
};

}  // namespace rebite::faults

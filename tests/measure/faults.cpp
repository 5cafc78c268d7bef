// Faults in numbers larger than the tests have time for; prints a markdown table.
// Usage: measure_faults disk [COMMAND], memory, space or kill [N] [SEED] [COMMAND]
//   disk     every call of COMMAND (default: of each), each with ENOSPC, EIO, EROFS, EDQUOT
//   memory   N places a command (default 500) at which the allocation fails; not Cairo's own
//   space    N limits of address space a command (default 500), half of them close to the smallest
//            in which it does its work
//   kill     N kill -9 that hit (default 1,000), each at a random moment of a run
#include <cerrno>
#include <chrono>
#include <cstdio>
#include <cstdlib>
#include <random>
#include <string>
#include <string_view>

#include "tests/faults/commands.h"

namespace {
using namespace rebite::faults;

struct Count {
  int runs = 0, done = 0, told = 0, broken = 0;
  void add(const Trial::Verdict& v) {
    ++runs;
    done += v.ended.code == 0;
    told += v.ended.code > 0;
    if (!v.fault.empty()) {
      ++broken;
      std::fprintf(stderr, "%s\n", v.fault.c_str());
    }
  }
};

void row(const std::string& what, const Count& c) {
  std::printf("| %s | %d | %d | %d | %d |\n", what.c_str(), c.runs, c.done, c.told, c.broken);
  std::fflush(stdout);
}

int disk(const std::string& only) {
  int broken = 0;
  for (const auto& command : commands()) {
    if (!only.empty() && command.name != only) continue;
    Trial trial(command);
    Count count;
    std::string calls;
    for (const auto& [call, n] : trial.counts()) {
      if (call == "alloc" || n == 0) continue;
      calls += (calls.empty() ? "" : ", ") + std::to_string(n) + " " + call;
      for (long i = 1; i <= n; ++i) {
        for (const int error : {ENOSPC, EIO, EROFS, EDQUOT}) {
          count.add(
              trial.run({.fault = call + ":" + std::to_string(i) + ":" + std::to_string(error)}));
        }
      }
    }
    row("disk, " + command.name + " (" + calls + ")", count);
    broken += count.broken;
  }
  return broken;
}

int memory(int places, std::uint64_t seed, const std::string& only) {
  int broken = 0;
  std::mt19937_64 random(seed);
  for (const auto& command : commands()) {
    if (!only.empty() && command.name != only) continue;
    Trial trial(command);
    Count count;
    const auto all = static_cast<std::uint64_t>(trial.allocations());
    for (int i = 0; i < places; ++i) {
      // The first half one after the other, the rest anywhere.
      const std::uint64_t n =
          i < places / 2 ? static_cast<std::uint64_t>(i) + 1 : 1 + random() % all;
      count.add(trial.run(failing_allocation(static_cast<long>(n))));
    }
    row("memory, " + command.name + " (" + std::to_string(all) + " allocations)", count);
    broken += count.broken;
  }
  return broken;
}

// The loader ends a program with 127 that has not even room for its libraries.
constexpr int no_room_for_libraries = 127;

int space(int places, std::uint64_t seed, const std::string& only) {
  constexpr std::size_t mib = 1U << 20U;
  int broken = 0;
  std::mt19937_64 random(seed);
  for (const auto& command : commands()) {
    if (!only.empty() && command.name != only) continue;
    Trial trial(command);
    std::size_t small = 32 * mib, enough = 2048 * mib;
    while (enough - small > mib / 16) {
      const std::size_t middle = (small + enough) / 2;
      (trial.run({.max_memory = middle}).ended.code == 0 ? enough : small) = middle;
    }
    Count count;
    int unloaded = 0;
    for (int i = 0; i < places; ++i) {
      const std::size_t around = i < places / 2 ? 8 * mib : enough - 32 * mib;
      const auto verdict = trial.run({.max_memory = enough - around + random() % (around + 2 * mib)});
      if (verdict.ended.code == no_room_for_libraries) {
        ++unloaded;
      } else {
        count.add(verdict);
      }
    }
    row("address space, " + command.name + " (enough: " + std::to_string(enough / mib) +
            " MiB; not even loaded: " + std::to_string(unloaded) + ")",
        count);
    broken += count.broken;
  }
  return broken;
}

int kill(int kills, std::uint64_t seed, const std::string& only) {
  int broken = 0;
  std::mt19937_64 random(seed);
  for (const char* name : {"scanner", "wedge", "align", "copy", "export", "report", "plan", "book", "recorded"}) {
    if (!only.empty() && only != name) continue;
    Trial trial(command(name));
    Count count;
    double whole = trial.clean_seconds() * 1e6;
    const bool records = std::string_view(name) == "book" || std::string_view(name) == "wedge";
    const int mine = records ? kills * 15 / 100 : kills / 10;
    // A run that was done before its moment came was not hit: it is counted, and another takes its
    // place. How long a run takes changes with what else the machine does, so that is followed.
    for (int hit = 0; hit < mine;) {
      const std::chrono::microseconds after(random() % static_cast<std::uint64_t>(whole));
      const auto verdict = trial.run({.signal_after = after, .signal = 9});
      count.add(verdict);
      hit += verdict.ended.signal == 9;
      if (verdict.ended.signal != 9) whole = 0.8 * whole + 0.2e6 * verdict.ended.seconds;
    }
    row(std::string("kill -9, ") + name, count);
    broken += count.broken;
  }
  return broken;
}

}  // namespace

int main(int argc, char** argv) {
  const std::string what = argc > 1 ? argv[1] : "";
  const std::uint64_t seed = argc > 3 ? std::strtoull(argv[3], nullptr, 10) : 1;
  std::printf(
      "| faults | runs | done all the same | told | rule broken |\n|---|---|---|---|---|\n");
  if (what == "disk") return disk(argc > 2 ? argv[2] : "") != 0;
  if (what == "memory") {
    return memory(argc > 2 ? std::atoi(argv[2]) : 500, seed, argc > 4 ? argv[4] : "") != 0;
  }
  if (what == "space") {
    return space(argc > 2 ? std::atoi(argv[2]) : 500, seed, argc > 4 ? argv[4] : "") != 0;
  }
  if (what == "kill") {
    return kill(argc > 2 ? std::atoi(argv[2]) : 1000, seed, argc > 4 ? argv[4] : "") != 0;
  }
  std::fprintf(
      stderr,
      "Usage: measure_faults disk [COMMAND], memory, space or kill [N] [SEED] [COMMAND]\n");
  return 64;
}

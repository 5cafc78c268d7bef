// Measured figures of the record book, as markdown: learning over many batches, crashes and damage
// in the numbers that the issue asks for, speed of a book with 10,000 states.
//   measure_book [all|learning|crashes|big] [batches [first seed]]
#include <fmt/format.h>

#include <chrono>
#include <ctime>
#include <functional>

#include "tests/book/crash.h"
#include "tests/book/drifting.h"

namespace rebite::book {
namespace {

void learning(int batches, std::uint64_t first) {
  fmt::print(
      "| bath | overlap of grounds | batches | areas | rms ln error without | with learning | "
      "ratio "
      "| 90 % interval covers | kept ground | fresh ground |\n"
      "|---|---|---|---|---|---|---|---|---|---|\n");
  for (const bool drifts : {true, false}) {
    for (const Overlap overlap : {Overlap::strays, Overlap::exact}) {
      const DriftScore s = drifting_batches(first, batches, drifts, overlap);
      fmt::print(
          "| {} | {} | {} | {} | {:.3f} | {:.3f} | {:.2f} | {:.1f} % | {:.1f} % | {:.1f} % |\n",
          drifts ? "drifting" : "steady",
          overlap == Overlap::strays ? "strays as its sd" : "exactly the rule",
          s.batches,
          s.bites,
          s.rms_without(),
          s.rms_with(),
          s.rms_with() / s.rms_without(),
          100 * s.coverage(),
          100 * s.kept_coverage(),
          100 * s.fresh_coverage());
    }
  }
}

void crashes() {
  TempFolder folder;
  const KillCount k = kill_writers(folder / "k.sqlite", 500, 7);
  fmt::print(
      "\nkill -9: {} kills ({} inside a write), {} acknowledged, {} lost, {} torn, {} damaged\n",
      k.kills,
      k.mid_write,
      k.acknowledged,
      k.lost,
      k.torn,
      k.damaged);
  const auto said = [](const char* what, const FlipCount& c) {
    fmt::print(
        "{}: {} cases, {} refused at opening, {} found by check, {} harmless (every record "
        "reads as written), {} missed, {} crashed\n",
        what,
        c.cases,
        c.refused,
        c.found,
        c.harmless,
        c.missed,
        c.crashed);
  };
  said("byte flips", flip_bytes(folder, 500, 8));
  said("cut files", cut_files(folder, 200, 9));
}

// Best of five: by the clock, and of processor time (which a busy machine does not change).
std::string time_of(const std::function<void()>& work) {
  double wall = 1e9, busy = 1e9;
  for (int i = 0; i < 5; ++i) {
    const auto start = std::chrono::steady_clock::now();
    const std::clock_t before = std::clock();
    work();
    busy = std::min(busy, static_cast<double>(std::clock() - before) / CLOCKS_PER_SEC);
    wall = std::min(
        wall, std::chrono::duration<double>(std::chrono::steady_clock::now() - start).count());
  }
  return fmt::format("{:.0f} ms ({:.0f} ms of processor time)", 1e3 * wall, 1e3 * busy);
}

void ten_thousand_states() {
  TempFolder folder;
  Id first = 0;
  {
    // As an import, in one transaction: 100 plates of 99 states, and one of 100.
    Book book = must(Book::open(folder / "big.sqlite", Book::Access::make));
    for (int p = 0; p < 100; ++p) {
      const Id id =
          must(book.add_plate({0, fmt::format("Plate {}", p), "copper", {150, 110}, 1.2, ""}));
      if (p == 0) first = id;
    }
    for (int n = 0; n < 10000; ++n) {
      State s = state_of(first + n % 100, 1 + n / 100);
      s.proofs[0].preview = std::string(6000, static_cast<char>('a' + n % 26));
      must(book.add_state(s));
    }
  }
  fmt::print("\n10,000 states on 100 plates, book of {} MB:\n",
             fs::file_size(folder / "big.sqlite") >> 20);
  fmt::print("- open and list: {}\n", time_of([&] {
               Book book = must(Book::open(folder / "big.sqlite", Book::Access::read));
               if (must(book.plates()).size() != 100) throw std::runtime_error("list");
             }));
  fmt::print("- open and show one plate (100 states): {}\n", time_of([&] {
               Book book = must(Book::open(folder / "big.sqlite", Book::Access::read));
               if (must(book.story(first, false)).states.size() != 100)
                 throw std::runtime_error("show");
             }));
  fmt::print("- check: {}\n", time_of([&] {
               Book book = must(Book::open(folder / "big.sqlite", Book::Access::read));
               if (!must(book.check()).empty()) throw std::runtime_error("check");
             }));
}

}  // namespace
}  // namespace rebite::book

int main(int argc, char** argv) {
  std::setvbuf(stdout, nullptr, _IOLBF, 0);
  const std::string what = argc > 1 ? argv[1] : "all";
  if (what == "all" || what == "learning")
    rebite::book::learning(argc > 2 ? std::atoi(argv[2]) : 40,
                           argc > 3 ? std::strtoull(argv[3], nullptr, 10) : 50001);
  if (what == "all" || what == "crashes") rebite::book::crashes();
  if (what == "all" || what == "big") rebite::book::ten_thousand_states();
}

// What can befall a book: killed writers, two writers, full disks, flipped bytes. Counted here, so
// that the tests run a few and the measure program many.
#pragma once

#include <fcntl.h>
#include <signal.h>
#include <sys/resource.h>
#include <sys/wait.h>

#include <chrono>
#include <cstring>
#include <random>
#include <thread>

#include "tests/book/books.h"

namespace rebite::book {

// Runs `work` in a process of its own; its exit code, or -signal.
template <class Work>
int in_child(Work&& work) {
  const pid_t child = ::fork();
  if (child == 0) {
    int code = 99;
    try {
      code = work();
    } catch (...) {
    }
    ::_exit(code);
  }
  int status = 0;
  ::waitpid(child, &status, 0);
  return WIFEXITED(status) ? WEXITSTATUS(status) : -WTERMSIG(status);
}

struct KillCount {
  int kills = 0, acknowledged = 0, lost = 0, damaged = 0, torn = 0, mid_write = 0;
};

// A child adds planned states and says over a pipe when each was acknowledged; it is killed at a
// random moment; then everything that was acknowledged must be there, whole. The moments are spread
// over the time of a few writes as they go right now: on a busy machine a write takes many
// times as long, and moments in milliseconds would all fall before the first.
inline KillCount kill_writers(const fs::path& file, int kills, std::uint64_t seed) {
  KillCount count;
  std::mt19937_64 random(seed);
  Id plate = 0;
  {
    Book book = must(Book::open(file, Book::Access::make));
    plate = must(book.add_plate({0, "Killed", "copper", {150, 110}, {}, ""}));
  }
  int next = 1;
  double window_us = 60000;
  for (int round = 0; round < kills; ++round) {
    int ends[2];
    if (::pipe(ends) != 0) throw std::runtime_error("pipe");
    const pid_t child = ::fork();
    if (child == 0) {
      ::close(ends[0]);
      auto book = Book::open(file, Book::Access::write);
      if (!book) ::_exit(3);
      const int opened = 0;
      if (::write(ends[1], &opened, sizeof opened) != sizeof opened) ::_exit(5);
      for (int n = next;; ++n) {
        Book::Planned planned;
        planned.state = state_of(plate, n);
        planned.plan.text = "{\"long\":\"" + std::string(20000, 'x') + "\"}";
        planned.predictions = {prediction(1, 0.1, 0.4, 1, 1), prediction(2, 0.1, 0.4, 1, 1)};
        if (!book->add_planned(planned)) ::_exit(4);
        if (::write(ends[1], &n, sizeof n) != sizeof n) ::_exit(5);
      }
    }
    ::close(ends[1]);
    int acknowledged = 0, n = 0;
    if (round % 4 == 0 || ::read(ends[0], &n, sizeof n) == sizeof n) {
      // Every fourth moment may fall into the opening, the others are counted from its end.
      const auto after = static_cast<std::int64_t>(random() % static_cast<std::uint64_t>(window_us));
      std::this_thread::sleep_for(std::chrono::microseconds(after));
    }
    ::kill(child, SIGKILL);
    int status = 0;
    ::waitpid(child, &status, 0);
    while (::read(ends[0], &n, sizeof n) == sizeof n) acknowledged = n;
    ::close(ends[0]);
    const int written = std::max(0, acknowledged - next + 1);
    if (written > 10) window_us = std::max(10000.0, window_us / 1.2);
    if (written < 1) window_us = std::min(1e6, window_us * 1.2);
    ++count.kills;
    count.mid_write += fs::exists(file.string() + "-journal") ? 1 : 0;
    if (!WIFSIGNALED(status)) ++count.damaged;  // it gave up by itself
    auto book = Book::open(file, Book::Access::read);
    if (!book) {
      ++count.damaged;
      continue;
    }
    const Story story = must(book->story(plate, false));
    const int there = story.states.empty() ? 0 : story.states.back().number;
    count.acknowledged += written;
    if (acknowledged > there) count.lost += acknowledged - there;
    if (static_cast<int>(story.states.size()) != there ||
        story.plans.size() != story.states.size() ||
        story.predictions.size() != 2 * story.plans.size()) {
      ++count.torn;
    }
    next = there + 1;
  }
  if (!must(must(Book::open(file, Book::Access::read)).check()).empty()) ++count.damaged;
  return count;
}

struct FlipCount {
  int cases = 0, refused = 0, found = 0, harmless = 0, missed = 0, crashed = 0;
};

// Uses a book in every reading way and once in writing, as a child, so that a crash is seen.
// 0: check found nothing and every record reads as it was; 1: refused at opening; 2: check found
// it; 7: damage that nobody told.
inline int use_damaged(const fs::path& file, const Book::Files& as_written) {
  return in_child([&] {
    auto opened = Book::open(file, Book::Access::write);
    if (!opened) return opened.error().what.empty() ? 7 : 1;
    Book& book = *opened;
    const auto found = book.check();
    const bool told = !found || !found->empty();
    const auto plates = book.plates();
    if (plates) {
      for (const auto& line : *plates) {
        (void)book.story(line.plate.id, true);
        (void)book.last_plan(line.plate.id);
      }
    }
    (void)book.uses(1);
    (void)book.scans();
    const auto files = book.export_files();
    const bool same = files && *files == as_written;
    (void)book.add_plate({0, "After", "copper", {50, 50}, {}, ""});
    return told ? 2 : same ? 0 : 7;
  });
}

inline void tally(FlipCount& count, int outcome) {
  ++count.cases;
  count.refused += outcome == 1;
  count.found += outcome == 2;
  count.harmless += outcome == 0;
  count.missed += outcome == 7;
  count.crashed += outcome < 0 || outcome == 99;
}

inline FlipCount flip_bytes(const TempFolder& folder, int cases, std::uint64_t seed) {
  Book::Files as_written;
  {
    Book book = filled_book(folder / "whole");
    as_written = must(book.export_files());
  }
  const std::string whole = bytes_of(folder / "whole");
  FlipCount count;
  std::mt19937_64 random(seed);
  for (int i = 0; i < cases; ++i) {
    std::string bytes = whole;
    // Every second one where something is written: most of a small book is empty space.
    std::size_t at = random() % bytes.size();
    while (i % 2 == 1 && bytes[at] == 0) at = random() % bytes.size();
    bytes[at] = static_cast<char>(bytes[at] ^ static_cast<char>(1 + random() % 255));
    put_bytes(folder / "hurt", bytes);
    tally(count, use_damaged(folder / "hurt", as_written));
  }
  return count;
}

inline FlipCount cut_files(const TempFolder& folder, int cases, std::uint64_t seed) {
  Book::Files as_written;
  {
    Book book = filled_book(folder / "uncut");
    as_written = must(book.export_files());
  }
  const std::string whole = bytes_of(folder / "uncut");
  FlipCount count;
  std::mt19937_64 random(seed);
  for (int i = 0; i < cases; ++i) {
    const std::size_t length =
        i < 4 ? std::size_t{1} << (2 * i) : 1 + random() % (whole.size() - 1);
    put_bytes(folder / "cut", whole.substr(0, length));
    tally(count, use_damaged(folder / "cut", as_written));
  }
  return count;
}

}  // namespace rebite::book

#include "cli/run.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <malloc.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <csignal>
#include <cstdio>
#include <cstdlib>
#include <exception>
#include <limits>
#include <optional>
#include <string_view>

#include "cli/command.h"
#include "cli/crash_words.h"
#include "cli/interrupt.h"
#include "cli/near_miss.h"
#include "jobs/guard.h"
#include "jobs/leave.h"
#include "jobs/version.h"

namespace rebite::cli {
namespace {

void describe(CLI::App& app) {
  app.name("rebite");
  app.description(
      "Rebite plans the next bite of an aquatint plate: from a proof, the drawing painted over a "
      "second\n"
      "impression, and a step wedge of the bath, it says where to bite more, for how long, in "
      "what\n"
      "stop-out order, and where to burnish or scrape.");
  app.set_version_flag("--version", "rebite " + jobs::version(), "print the version");
  app.set_help_flag("-h,--help", "print this help; 'rebite COMMAND --help' tells more");
  app.require_subcommand(1);
  app.footer(
      "In this order:\n"
      "  1. rebite scanner   once for your scanner\n"
      "  2. rebite wedge     once for each newly mixed bath\n"
      "  3. rebite plan      for each new state of a plate\n"
      "Or all of it in a browser: rebite page\n"
      "Every command explains itself: rebite plan --help\n\n"
      "Acids and rosin dust can hurt you: follow the safety data sheet of each product and your "
      "local "
      "rules.");
}

int wrong_use(const CLI::App& app, const CLI::ParseError& error, Console& console) {
  const CLI::App* command = &app;
  for (const auto* sub : app.get_subcommands()) command = sub;
  std::string next = fmt::format("rebite {}{}--help shows how it is written.",
                                 command == &app ? "" : command->get_name(),
                                 command == &app ? "" : " ");
  if (const auto meant = near_miss(*command, error.what()); !meant.empty()) {
    next = fmt::format("Did you mean {}? ", meant) + next;
  }
  return console.problem({ProblemKind::usage, error.what(), next});
}

bool is_command(const CLI::App& app, const std::string& word) {
  for (const auto* sub : app.get_subcommands({})) {
    if (sub->get_name() == word) return true;
  }
  return false;
}

// What CLI11 would only call "A subcommand is required".
std::optional<Problem> command_missing(const CLI::App& app, int argc, char** argv) {
  const std::string next = "rebite --help shows the commands.";
  if (argc < 2) return Problem{ProblemKind::usage, "No command was given.", next};
  const std::string word = argv[1];
  if (word.starts_with('-') || is_command(app, word)) return std::nullopt;
  const auto meant = near_miss(app, "not expected " + word);
  return Problem{ProblemKind::usage,
                 fmt::format("'{}' is not a command of Rebite.", word),
                 meant.empty() ? next : fmt::format("Did you mean {}? {}", meant, next)};
}

// A program that is started with stdout closed would get its first output file as descriptor 1 and
// print into it. The holes are filled with what cannot be written (read).
void keep_standard_descriptors() {
  for (const int fd : {STDIN_FILENO, STDOUT_FILENO, STDERR_FILENO}) {
    if (::fcntl(fd, F_GETFD) >= 0) continue;
    if (::open("/dev/null", fd == STDIN_FILENO ? O_WRONLY : O_RDONLY) != fd) std::abort();
  }
}

int no_memory_words() noexcept {
  std::fputs("rebite: This machine has no free memory.\nClose other programs and run it again.\n", stderr);
  return static_cast<int>(ProblemKind::io);
}

// For what was thrown outside the jobs: mostly no memory even for the options.
int last_words(const char* errand) noexcept {
  try {
    const auto problem = jobs::problem_of_current_exception(errand);
    std::fprintf(stderr, "rebite: %s\n%s\n", problem.what.c_str(), problem.next.c_str());
    return static_cast<int>(problem.kind);
  } catch (...) {
    return no_memory_words();
  }
}

// Where memory runs out inside a library's destructor or one of its functions that must not throw,
// nobody can catch it; the user is told all the same and no temporary stays.
[[noreturn]] void end_uncaught() {
  // (On its way out of a destructor an exception is in flight, but not caught: it cannot be asked.)
  if (!std::current_exception() && std::uncaught_exceptions() == 0) std::abort();  // a broken rule
  const int code = std::current_exception() ? last_words("Working") : no_memory_words();
  try {
    jobs::leave_at_once(code);
  } catch (...) {
    ::_exit(code);
  }
}

// Pictures of a hundred megabytes are made and dropped by the dozen. Given back each time, the
// kernel must blank every page of the next one: a tenth of a plan's processor time. The page stays
// for days and gives back what it does not need.
void keep_freed_memory(int argc, char** argv) {
#ifdef __GLIBC__
  if (argc > 1 && std::string_view(argv[1]) == "page") return;
  mallopt(M_MMAP_MAX, 0);
  mallopt(M_TRIM_THRESHOLD, std::numeric_limits<int>::max());
  mallopt(M_ARENA_MAX, 1);  // an arena of each thread would keep its own
#endif
}

}  // namespace

int obey(int argc, char** argv, Surroundings& around) {
  Console& console = around.console;
  CLI::App app;
  describe(app);
  add_scanner(app, around);
  add_wedge(app, around);
  add_read(app, around);
  add_align(app, around);
  add_plan(app, around);
  add_book(app, around);
  add_page(app, around);
  if (const auto problem = command_missing(app, argc, argv)) return console.problem(*problem);
  try {
    app.parse(argc, argv);
  } catch (const CLI::CallForHelp&) {
    const CLI::App* command = &app;
    for (const auto* sub : app.get_subcommands()) command = sub;
    return console.result(command->help(command == &app ? "" : app.get_name()));
  } catch (const CLI::CallForVersion& version) {
    return console.result(std::string(version.what()) + "\n");
  } catch (const CLI::ParseError& error) {
    return wrong_use(app, error, console);
  }
  return around.exit_code;
}

int run(int argc, char** argv, const ServePage& serve_page) {
  keep_freed_memory(argc, argv);
  // The C locale stays: numbers and bytes must not depend on where the program runs.
  std::signal(SIGPIPE, SIG_IGN);
  std::signal(SIGXFSZ, SIG_IGN);  // a file-size limit becomes a failed write, and is told
  keep_standard_descriptors();
  std::set_terminate(end_uncaught);
  tell_crashes();
  try {
    Console console;
    InterruptWatch interrupt;
    Surroundings around{console, interrupt.token(), 0, serve_page};
    const int code = obey(argc, argv, around);
    return code == static_cast<int>(ProblemKind::stopped) && interrupt.exit_code()
               ? interrupt.exit_code()
               : code;
  } catch (...) {
    // Past every destructor: those of the libraries may want memory too.
    std::_Exit(last_words("Starting"));
  }
}

}  // namespace rebite::cli

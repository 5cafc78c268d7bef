#include <fcntl.h>
#include <fmt/format.h>
#include <spawn.h>
#include <unistd.h>

#include <CLI/CLI.hpp>
#include <cstdlib>

#include "cli/command.h"
#include "jobs/book_jobs.h"
#include "jobs/studio.h"

extern char** environ;

namespace rebite::cli {
namespace {

struct PageOptions {
  std::filesystem::path book;
  unsigned short port = 0;
  bool no_browser = false;
};

bool has_screen() {
  for (const char* name : {"DISPLAY", "WAYLAND_DISPLAY"}) {
    if (const char* value = std::getenv(name); value && *value) return true;
  }
  return false;
}

// No shell, and no address on a command line that others on this machine could read: the browser is
// given a file that only this user can open, and that leads on.
void open_browser(const std::filesystem::path& door) {
  const std::string program = "xdg-open", file = door.string();
  char* arguments[] = {
      const_cast<char*>(program.c_str()), const_cast<char*>(file.c_str()), nullptr};
  posix_spawn_file_actions_t quiet;
  posix_spawn_file_actions_init(&quiet);
  posix_spawn_file_actions_addopen(&quiet, STDOUT_FILENO, "/dev/null", O_WRONLY, 0);
  posix_spawn_file_actions_addopen(&quiet, STDERR_FILENO, "/dev/null", O_WRONLY, 0);
  pid_t child = 0;
  posix_spawnp(&child, program.c_str(), &quiet, nullptr, arguments, environ);
  posix_spawn_file_actions_destroy(&quiet);
}

int run_page(const PageOptions& o, Surroundings& around) {
  const char* environment = std::getenv("REBITE_BOOK");
  const auto book = jobs::book_file(o.book, environment ? environment : "");
  const auto studio = jobs::Studio::beside(book);
  std::filesystem::path door;
  const auto ready = [&](const std::string& address) {
    around.console.result(fmt::format(
        "Rebite's page is open on this machine only:\n  {}\nThe book: {}\nCtrl-C ends it.\n",
        address,
        book.string()));
    if (o.no_browser || !has_screen()) return;
    if (const auto made = jobs::write_door(studio, address)) {
      door = *made;
      open_browser(door);
    }
  };
  const auto served = around.serve_page(book, o.port, ready, around.stop);
  if (!door.empty()) ::unlink(door.c_str());
  return served ? 0 : around.console.problem(served.error());
}

}  // namespace

void add_page(CLI::App& app, Surroundings& around) {
  auto o = std::make_shared<PageOptions>();
  auto* c = app.add_subcommand(
      "page", "open the studio's own page in a browser: the whole job without typing commands");
  c->add_option("--book",
                o->book,
                "the record book (default: rebite-book.sqlite in the current folder, or "
                "$REBITE_BOOK)")
      ->type_name("FILE");
  c->add_option("--port", o->port, "of 127.0.0.1 (default: any free one)")
      ->type_name("N")
      ->check(CLI::Range(0, 65535));
  c->add_flag("--no-browser", o->no_browser, "only print the address");
  c->footer(
      "The page is for this machine and this start only: its address holds a key. Scans that are "
      "handed in\nand plans are kept in a folder beside the book (NAME-studio).");
  c->callback([o, &around] { around.exit_code = run_page(*o, around); });
}

}  // namespace rebite::cli

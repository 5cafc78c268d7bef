#include "jobs/leave.h"

#include <unistd.h>

#include <string_view>

#include "files/files.h"

namespace rebite::jobs {

void leave_at_once(int exit_code) {
  files::abandon_writing();
  ::_exit(exit_code);
}

bool outputs_are_there() { return files::has_written(); }

void leave_stopped(int exit_code) {
  files::abandon_writing();  // before the question: nothing is put in place after it
  constexpr std::string_view nothing = "\nrebite: Stopped. Nothing was written.\n";
  constexpr std::string_view some =
      "\nrebite: Stopped at the very end. What is written is complete; what was to come after it (the\n"
      "record book) may be missing. Run the command again to be sure.\n";
  const std::string_view said = files::has_written() ? some : nothing;
  if (::write(STDERR_FILENO, said.data(), said.size()) < 0) ::_exit(exit_code);
  ::_exit(exit_code);
}

}  // namespace rebite::jobs

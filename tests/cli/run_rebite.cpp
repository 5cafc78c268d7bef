#include "tests/cli/run_rebite.h"

#include <fcntl.h>
#include <sys/wait.h>
#include <unistd.h>

#include <cstdlib>
#include <fstream>
#include <sstream>

namespace rebite::cli {
namespace {

std::string all_of(const std::filesystem::path& file) {
  std::ifstream in(file, std::ios::binary);
  std::stringstream text;
  text << in.rdbuf();
  return text.str();
}

void to_file(int fd, const std::string& file) {
  const int opened = ::open(file.c_str(), O_WRONLY | O_CREAT | O_TRUNC, 0600);
  if (opened < 0 || ::dup2(opened, fd) < 0) ::_exit(126);
}

}  // namespace

Said run_rebite(const std::vector<std::string>& arguments, const std::string& stdout_to) {
  static int serial = 0;
  const auto base = std::filesystem::temp_directory_path() /
                    ("rebite-said-" + std::to_string(::getpid()) + "-" + std::to_string(serial++));
  const std::string out = stdout_to.empty() ? base.string() + ".out" : stdout_to;
  const std::string err = base.string() + ".err";
  std::vector<std::string> words{REBITE_PROGRAM};
  words.insert(words.end(), arguments.begin(), arguments.end());
  std::vector<char*> argv;
  for (auto& w : words) argv.push_back(w.data());
  argv.push_back(nullptr);
  const pid_t child = ::fork();
  if (child == 0) {
    to_file(STDOUT_FILENO, out);
    to_file(STDERR_FILENO, err);
    ::execv(argv[0], argv.data());
    ::_exit(127);
  }
  int status = 0;
  ::waitpid(child, &status, 0);
  Said said;
  said.code = WIFEXITED(status) ? WEXITSTATUS(status) : 128 + WTERMSIG(status);
  if (stdout_to.empty()) said.out = all_of(out);
  said.err = all_of(err);
  if (stdout_to.empty()) std::filesystem::remove(out);
  std::filesystem::remove(err);
  return said;
}

}  // namespace rebite::cli

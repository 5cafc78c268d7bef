// The command line: any words, one to a line. The program runs in a folder of its own; words with a
// slash or two dots are left out, so that no file elsewhere is written. Beside it the parsers of
// numbers, times, sizes and temperatures.
#include <unistd.h>

#include <sstream>
#include <vector>

#include "cli/command.h"
#include "cli/run.h"
#include "tests/fuzz/target.h"
#include "units/parse.h"

using namespace rebite;

namespace {

template <class T>
void told(const Result<T>& parsed) {
  if (!parsed) fuzz::must_be_told(parsed.error());
}

bool an_exit_code(int code) {
  for (const int known : {0, 64, 65, 66, 73, 74, 130}) {
    if (code == known) return true;
  }
  return false;
}

}  // namespace

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size) {
  const std::string text(fuzz::text_of(data, size));
  told(parse_time(text));
  told(parse_numbers(text));
  told(parse_size(text));
  told(parse_temperature(text));

  if (text.find('/') != std::string::npos || text.find("..") != std::string::npos) return 0;
  if (text.find("page") != std::string::npos) return 0;  // it would wait for a browser
  if (text.find('\0') != std::string::npos) return 0;    // no argument can hold one
  static const bool moved = [] {
    // What the commands say is not wanted here; libFuzzer keeps its own copy of stderr.
    return ::chdir(fuzz::folder().c_str()) == 0 && std::freopen("/dev/null", "w", stdout);
  }();
  if (!moved) return 0;
  std::vector<std::string> words{"rebite"};
  std::istringstream lines(text);
  for (std::string line; std::getline(lines, line) && words.size() < 40;) words.push_back(line);
  std::vector<char*> argv;
  for (auto& word : words) argv.push_back(word.data());
  argv.push_back(nullptr);
  cli::Console console;
  cli::Surroundings around{console, {}};
  const int code = cli::obey(static_cast<int>(words.size()), argv.data(), around);
  fuzz::must(an_exit_code(code), "an exit code of the interface");
  return 0;
}

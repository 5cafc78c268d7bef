// Writes the scans of samples/ (invented data) into a folder. scripts/make-samples calls it.
#include <cstdio>
#include <cstring>
#include <exception>
#include <fstream>
#include <stdexcept>
#include <string>

#include "tests/support/lock_sheets.h"

namespace {

void write_text(const std::string& path, const std::string& text) {
  std::ofstream file(path, std::ios::binary);
  file << text;
  file.close();
  if (!file) throw std::runtime_error("cannot write " + path);
}

void write_all(const std::string& folder, bool all) {
  using namespace rebite::maker;
  for (const auto& name : sample_names(all)) {
    std::printf("%s\n", name.c_str());
    std::fflush(stdout);
    write_text(folder + "/" + name, sample_bytes(name));
  }
  write_text(folder + "/grey-scale.densities", sample_grey_text() + "\n");
  write_text(folder + "/wedge.times", sample_times_text() + "\n");
}

}  // namespace

int main(int argc, char** argv) {
  const bool all = argc == 3 && std::strcmp(argv[2], "--all") == 0;
  if (argc != 2 && !all) {
    std::fputs("usage: make_samples FOLDER [--all]\n", stderr);
    return 64;
  }
  try {
    write_all(argv[1], all);
  } catch (const std::exception& problem) {
    std::fprintf(stderr, "make_samples: %s\n", problem.what());
    return 74;
  }
  return 0;
}

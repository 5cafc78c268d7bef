// Gives a fuzz target every file of the folders named: the seeds and the kept crashers.
#include <algorithm>
#include <iterator>
#include <vector>

#include "tests/fuzz/target.h"

int main(int argc, char** argv) {
  namespace fs = std::filesystem;
  int files = 0;
  for (int i = 1; i < argc; ++i) {
    if (!fs::is_directory(argv[i])) continue;
    std::vector<fs::path> all;
    for (const auto& entry : fs::directory_iterator(fs::absolute(argv[i])))
      if (entry.is_regular_file()) all.push_back(entry.path());
    std::sort(all.begin(), all.end());
    for (const auto& file : all) {
      std::ifstream in(file, std::ios::binary);
      const std::string bytes{std::istreambuf_iterator<char>(in), {}};
      std::fprintf(stderr, "%s\n", file.c_str());
      LLVMFuzzerTestOneInput(reinterpret_cast<const std::uint8_t*>(bytes.data()), bytes.size());
      ++files;
    }
  }
  std::printf("%d files replayed\n", files);
  return files > 0 ? 0 : 1;
}

// One fuzz target: a function that takes bytes from anywhere and must come back, whatever they are.
// With clang and REBITE_FUZZ it is driven by libFuzzer; in the ordinary tests replay.cpp gives it
// the seeds and every kept crasher.
#pragma once

#include <unistd.h>

#include <cstddef>
#include <cstdint>
#include <cstdio>
#include <cstdlib>
#include <filesystem>
#include <fstream>
#include <string>
#include <string_view>

#include "units/problem.h"

extern "C" int LLVMFuzzerTestOneInput(const std::uint8_t* data, std::size_t size);

namespace rebite::fuzz {

inline std::string_view text_of(const std::uint8_t* data, std::size_t size) {
  return {reinterpret_cast<const char*>(data), size};
}

// A folder of this process, removed at its end; in memory where /dev/shm is there.
class Folder {
 public:
  Folder() {
    const std::filesystem::path shm = "/dev/shm";
    const auto base = std::filesystem::exists(shm) ? shm : std::filesystem::temp_directory_path();
    path = base / ("rebite-fuzz-" + std::to_string(::getpid()));
    std::filesystem::create_directories(path);
  }
  ~Folder() {
    std::error_code ignored;
    std::filesystem::remove_all(path, ignored);
  }
  Folder(const Folder&) = delete;
  Folder& operator=(const Folder&) = delete;
  std::filesystem::path path;
};
inline const std::filesystem::path& folder() {
  static const Folder made;
  return made.path;
}

inline std::filesystem::path as_file(std::string_view bytes, const char* ending) {
  const auto file = folder() / (std::string("input") + ending);
  std::ofstream(file, std::ios::binary | std::ios::trunc) << bytes;
  return file;
}

// A refusal must say what is wrong and what to do, and must not be a fault of ours.
inline void must_be_told(const Problem& problem) {
  if (problem.kind != ProblemKind::internal && !problem.what.empty() && !problem.next.empty())
    return;
  std::fprintf(stderr, "not told: %s / %s\n", problem.what.c_str(), problem.next.c_str());
  std::abort();
}

inline void must(bool so, const char* what) {
  if (so) return;
  std::fprintf(stderr, "broken: %s\n", what);
  std::abort();
}

}  // namespace rebite::fuzz

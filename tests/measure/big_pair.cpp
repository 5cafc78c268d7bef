#include "tests/measure/big_pair.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <chrono>
#include <cmath>
#include <stdexcept>

#include "files/files.h"
#include "scan/write_scan.h"

namespace rebite::measure {
namespace {

namespace fs = std::filesystem;
constexpr double margin_mm = 18;

void write(const maker::MadeScan& scan, const fs::path& folder, double mpx, std::string_view what) {
  for (const bool lzw : {false, true}) {
    const auto packing = lzw ? scan::TiffPacking::lzw : scan::TiffPacking::none;
    const auto written = files::write_atomically(
        scan_of(folder, mpx, what, lzw), scan::tiff_bytes(scan.codes, scan.dpi, scan.dpi, packing));
    if (!written) throw std::runtime_error(written.error().what);
  }
}

double seconds_of(const timeval& t) {
  return static_cast<double>(t.tv_sec) + 1e-6 * static_cast<double>(t.tv_usec);
}

}  // namespace

SizeMm plate_for(double megapixels) {
  const double px_per_mm = kBigDpi / 25.4;
  const double height = std::sqrt(megapixels * 1e6 / (4.0 / 3.0)) / px_per_mm;
  return {std::round(height * 4 / 3 - 2 * margin_mm), std::round(height - 2 * margin_mm)};
}

BigPair big_pair(double megapixels) {
  const auto scene = maker::make_scene(41, plate_for(megapixels));
  maker::Scanner scanner;
  scanner.dpi = kBigDpi;
  maker::Impression first, second;
  first.margin_mm = second.margin_mm = margin_mm;
  second.seed = 2;
  second.wander_mm = 0.4;
  BigPair pair;
  pair.proof = maker::print_proof(scene.plate, first, scanner);
  scanner.seed = 2;
  scanner.turn_deg = 0.7;
  pair.drawing = maker::reworked_proof(scene.plate, second, scene.rework, scanner);
  return pair;
}

fs::path scan_of(const fs::path& folder, double megapixels, std::string_view what, bool lzw) {
  return folder / fmt::format("{}-{:.0f}{}.tif", what, megapixels, lzw ? "-lzw" : "");
}

void make_scans(const fs::path& folder, double megapixels) {
  if (fs::exists(scan_of(folder, megapixels, "drawing", true))) return;
  fmt::print(stderr, "making the {:.0f} megapixel pair\n", megapixels);
  const BigPair pair = big_pair(megapixels);
  write(pair.proof, folder, megapixels, "proof");
  write(pair.drawing, folder, megapixels, "drawing");
}

Run run(const std::vector<std::string>& words, const fs::path& output) {
  std::vector<char*> argv;
  for (const auto& w : words) argv.push_back(const_cast<char*>(w.c_str()));
  argv.push_back(nullptr);
  const auto start = std::chrono::steady_clock::now();
  const pid_t child = ::fork();
  if (child == 0) {
    const int to = ::open(output.c_str(), O_WRONLY | O_CREAT | O_TRUNC, 0644);
    ::dup2(to, 1);
    ::dup2(to, 2);
    ::execvp(argv[0], argv.data());
    ::_exit(127);
  }
  int status = 0;
  rusage use{};
  ::wait4(child, &status, 0, &use);
  if (!WIFEXITED(status) || WEXITSTATUS(status) != 0)
    throw std::runtime_error(fmt::format("{} failed", fmt::join(words, " ")));
  const std::chrono::duration<double> spent = std::chrono::steady_clock::now() - start;
  return {spent.count(),
          seconds_of(use.ru_utime) + seconds_of(use.ru_stime),
          static_cast<double>(use.ru_maxrss) / 1024};
}

}  // namespace rebite::measure

// What bad and very large scans cost; prints markdown tables.
// Usage: measure_bounds images [FOLDER]   each picture of a folder of bad ones through `rebite
// read`
//        measure_bounds large [FOLDER]    a 12,000 x 12,000 px pair in 1 GiB of address space
// images: FOLDER is ../shared/data/bad-images where it is not named. large: the pair is kept there.
#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <opencv2/imgproc.hpp>
#include <string>

#include "scan/load.h"
#include "tests/faults/child.h"
#include "tests/support/outside_data.h"
#include "tests/support/plate_maker.h"

namespace {
using namespace rebite;
using faults::Ended;
namespace fs = std::filesystem;

int images(const fs::path& folder) {
  std::map<int, int> codes;
  int files = 0, broken = 0;
  double slowest = 0;
  long peak = 0;
  std::string slowest_name, peak_name;
  for (const auto& entry : fs::recursive_directory_iterator(folder)) {
    if (!entry.is_regular_file()) continue;
    const std::string name = entry.path().filename().string();
    const Ended ended = faults::run_program(
        {"read", entry.path().string(), "--at", "8,8,1", "--dpi", "300", "--json"},
        {.give_up = std::chrono::seconds(20)});
    ++files;
    ++codes[ended.code];
    const bool named = ended.code == 0 || ended.err.find(name) != std::string::npos;
    if (ended.hung || ended.signal || !named) {
      ++broken;
      std::fprintf(stderr, "%s: signal %d, %s\n", name.c_str(), ended.signal, ended.err.c_str());
    }
    if (ended.code == 0) continue;
    if (ended.seconds > slowest) slowest = ended.seconds, slowest_name = name;
    if (ended.peak_kib > peak) peak = ended.peak_kib, peak_name = name;
  }
  std::printf("| files | read | refused (65) | too small for an aperture (64) | rule broken |\n");
  std::printf("|---|---|---|---|---|\n| %d | %d | %d | %d | %d |\n\n",
              files,
              codes[0],
              codes[65],
              codes[64],
              broken);
  std::printf("slowest refusal: %.2f s (%s); most memory of a refusal: %.0f MiB (%s)\n",
              slowest,
              slowest_name.c_str(),
              static_cast<double>(peak) / 1024,
              peak_name.c_str());
  return broken || slowest > 2 || peak > 300 * 1024;
}

// The sample of that name magnified to `side` x `side` px, 8 or 16 bits grey, tagged so that the
// plate keeps its width.
void magnify(const std::string& sample, int side, const fs::path& to) {
  const auto small = scan::load(fs::path(REBITE_SOURCE_DIR) / "samples" / sample, {});
  if (!small) throw std::runtime_error(small.error().what);
  cv::Mat1f large;
  cv::resize(small->values, large, {side, side}, 0, 0, cv::INTER_CUBIC);
  maker::MadeScan made;
  made.codes = cv::Mat1w(side, side);
  for (int y = 0; y < side; ++y) {
    for (int x = 0; x < side; ++x) {
      const double v = std::clamp(static_cast<double>(large(y, x)), 0.0, 1.0);
      const double code = v <= 0.0031308 ? 12.92 * v : 1.055 * std::pow(v, 1 / 2.4) - 0.055;
      made.codes.at<std::uint16_t>(y, x) = static_cast<std::uint16_t>(std::lround(65535 * code));
    }
  }
  made.dpi = std::round(small->info.x->dpi() * side / small->values.cols);
  made.dpi_y = std::round(small->info.y->dpi() * side / small->values.rows);
  maker::write_scan(made, to.string());
}

int large(const fs::path& folder) {
  constexpr int side = 12000;
  fs::create_directories(folder);
  for (const auto& [name, sample] : {std::pair{"proof.tif", "proof-state-2.tif"},
                                     std::pair{"drawing.tif", "drawing-state-3.tif"}}) {
    if (!fs::exists(folder / name)) magnify(sample, side, folder / name);
  }
  const std::string proof = (folder / "proof.tif").string();
  const std::string drawing = (folder / "drawing.tif").string();
  std::printf(
      "| command | address space | exit | s | peak MiB | said |\n|---|---|---|---|---|---|\n");
  int broken = 0;
  for (const std::size_t gib : {1U, 2U, 0U}) {
    for (const auto& words : std::vector<std::vector<std::string>>{
             {"read", proof, "--at", "6000,6000"},
             {"align", proof, drawing},
             {"plan", proof, drawing, "--plate", "150x110", "--out", (folder / "plan").string()}}) {
      if (gib == 0 && words[0] != "read") continue;  // the tables of DEVELOPERS.md have it
      fs::remove_all(folder / "plan");
      const Ended ended = faults::run_program(
          words, {.max_memory = gib << 30, .give_up = std::chrono::seconds(900)});
      const auto from = std::min(ended.err.rfind("rebite: "), ended.err.size());
      const std::string said = ended.err.substr(from, ended.err.find('\n', from) - from);
      std::printf("| %s | %s | %d | %.1f | %.0f | %s |\n",
                  words[0].c_str(),
                  gib ? (std::to_string(gib) + " GiB").c_str() : "free",
                  ended.code,
                  ended.seconds,
                  static_cast<double>(ended.peak_kib) / 1024,
                  said.c_str());
      std::fflush(stdout);
      const bool told = ended.code == 0 || (ended.code > 0 && !said.empty());
      const bool nothing = ended.code == 0 || !fs::exists(folder / "plan");
      broken += ended.hung || ended.signal || !told || !nothing;
    }
  }
  return broken != 0;
}

}  // namespace

int main(int argc, char** argv) try {
  const std::string what = argc > 1 ? argv[1] : "";
  if (what == "images") {
    return images(argc > 2 ? fs::path(argv[2]) : maker::outside_data("bad-images"));
  }
  if (what == "large")
    return large(argc > 2 ? argv[2] : fs::temp_directory_path() / "rebite-large");
  std::fprintf(stderr, "Usage: measure_bounds images|large [FOLDER]\n");
  return 64;
} catch (const std::exception& e) {
  std::fprintf(stderr, "measure_bounds: %s\n", e.what());
  return 70;
}

// Accuracy and speed of the scan room, as markdown tables: scanner curve and white field over
// seeds, read speed and memory. Run by hand: build/.../measure_scan [seeds [part]]
#include <sys/resource.h>
#include <sys/wait.h>
#include <unistd.h>

#include <algorithm>
#include <cmath>
#include <cstdio>
#include <cstdlib>
#include <ctime>
#include <filesystem>
#include <fstream>
#include <string>
#include <vector>

#include "scan/read_scan.h"
#include "scan/scanner_curve.h"
#include "scan/write_scan.h"
#include "tests/measure/errors.h"
#include "tests/support/plate_maker.h"

namespace {

using namespace rebite;

const std::vector<double> camera_11{
    0.05, 0.13, 0.22, 0.32, 0.43, 0.55, 0.69, 0.88, 1.06, 1.31, 1.65};

std::filesystem::path scratch(const char* name) {
  return std::filesystem::temp_directory_path() / (std::to_string(::getpid()) + name);
}

void scanner_curves(int seeds) {
  std::puts("\n### Scanner curve: density of the curve minus truth, over the measured range\n");
  std::puts("| scanner tone | bits | scales | refused | rms D | worst D | said (residual_sd) |");
  std::puts("|---|---|---|---|---|---|---|");
  const char* names[] = {"sRGB", "linear", "gamma 1.8", "contrasty"};
  const auto file = scratch("grey.tif");
  for (int tone = 0; tone < 4; ++tone) {
    for (const int bits : {16, 8}) {
      measure::Errors spread;
      int refused = 0;
      double said = 0;
      for (int seed = 1; seed <= seeds; ++seed) {
        maker::Scanner s;
        s.seed = static_cast<std::uint64_t>(seed);
        s.tone = static_cast<maker::ScannerTone>(tone);
        s.bits = bits;
        s.dpi = 100 + 50 * (seed % 3);
        s.channels = 1;
        s.flare = 0.002 * (seed % 4);
        s.turn_deg = (seed * 47) % 360 - 180;
        const auto made = maker::grey_scale(camera_11, {9, 14}, s, seed % 2 * 1.5);
        maker::write_scan(made, file.string());
        const auto curve = scan::measure_scanner(file, {camera_11, 0});
        if (!curve) {
          ++refused;
          continue;
        }
        said += curve->residual_sd;
        // Truth between the patches: a second scale of other densities on the same scanner.
        std::vector<double> other;
        for (int i = 0; i < 30; ++i) other.push_back(0.06 + 0.053 * i);
        const auto check = maker::grey_scale(other, {5, 10}, s);
        maker::write_scan(check, file.string());
        const auto image = scan::read_scan(file, {.scanner = &*curve, .relative_to_paper = false});
        if (!image) continue;
        for (int i = 0; i < 30; ++i) {
          const auto c = check.px_from_plate({8 + 5 * (i + 0.5), 13});
          const cv::Rect where(static_cast<int>(c.x) - 4, static_cast<int>(c.y) - 4, 9, 9);
          spread.add(scan::mean_tone(image->relative, where).density.value() -
                     other[static_cast<std::size_t>(i)]);
        }
      }
      std::printf("| %s | %d | %d | %d | %.4f | %.4f | %.4f |\n",
                  names[tone],
                  bits,
                  seeds,
                  refused,
                  spread.rms(),
                  spread.worst,
                  said / std::max(1, seeds - refused));
      std::fflush(stdout);
    }
  }
  std::filesystem::remove(file);
}

void white_field(int seeds) {
  std::puts("\n### Uneven light: densities on the plate, uneven minus even light\n");
  std::puts("| light | sheets | rms D | worst D | paper residual sd | found unevenness |");
  std::puts("|---|---|---|---|---|---|");
  const auto a_file = scratch("a.tif"), b_file = scratch("b.tif");
  for (const double uneven : {0.04, 0.08}) {
    measure::Errors spread;
    double residual = 0, found = 0;
    for (int seed = 1; seed <= seeds; ++seed) {
      maker::Plate plate;
      maker::Bite bite;
      bite.minutes = cv::Mat1f(110, 150);
      for (int y = 0; y < 110; ++y) {
        for (int x = 0; x < 150; ++x) {
          bite.minutes(y, x) = (x / 30) % 2 ? 0.0F : static_cast<float>(x) / 10.0F;
        }
      }
      plate.bites = {bite};
      maker::Impression sheet;
      sheet.seed = static_cast<std::uint64_t>(seed);
      maker::Scanner s;
      s.seed = static_cast<std::uint64_t>(seed);
      s.dpi = 120;
      s.channels = 1;
      s.turn_deg = seed % 5 - 2;
      const auto a = maker::print_proof(plate, sheet, s);
      s.uneven_light = uneven;
      const auto b = maker::print_proof(plate, sheet, s);
      maker::write_scan(a, a_file.string());
      maker::write_scan(b, b_file.string());
      const auto even = scan::read_scan(a_file, {}), other = scan::read_scan(b_file, {});
      if (!even || !other) continue;
      residual += other->paper_residual_sd;
      found += other->paper_unevenness;
      for (double y = 5; y < 110; y += 10) {
        for (double x = 5; x < 150; x += 10) {
          const auto c = a.px_from_plate({x, y});
          const cv::Rect where(static_cast<int>(c.x) - 9, static_cast<int>(c.y) - 9, 19, 19);
          spread.add(scan::mean_tone(other->relative, where).density.value() -
                     scan::mean_tone(even->relative, where).density.value());
        }
      }
    }
    std::printf("| +-%.0f %% | %d | %.4f | %.4f | %.4f | %.3f |\n",
                100 * uneven,
                seeds,
                spread.rms(),
                spread.worst,
                residual / seeds,
                found / seeds);
    std::fflush(stdout);
  }
  std::filesystem::remove(a_file);
  std::filesystem::remove(b_file);
}

double seconds_of(const auto& work) {
  // Processor time, so that the figure holds on a busy machine too.
  const std::clock_t start = std::clock();
  work();
  return double(std::clock() - start) / CLOCKS_PER_SEC;
}

double peak_mib() {
  rusage use{};
  getrusage(RUSAGE_SELF, &use);
  return double(use.ru_maxrss) / 1024;
}

// Reads in a child process, so that its peak memory is its own.
void one_speed(const char* name, const std::filesystem::path& file, double megapixels) {
  std::fflush(stdout);
  if (const pid_t child = ::fork(); child == 0) {
    const double before = peak_mib();
    double took = 1e9;
    for (int i = 0; i < 3; ++i) {
      took = std::min(took, seconds_of([&] {
                        const auto r = scan::read_scan(file, {});
                        if (!r) std::puts(r.error().what.c_str());
                      }));
    }
    std::printf("| %s | %.0f | %.2f | %.0f | %.0f |\n",
                name,
                megapixels,
                took,
                megapixels / took,
                peak_mib() - before);
    std::fflush(stdout);
    std::_Exit(0);
  }
  int status = 0;
  ::wait(&status);
}

void speed() {
  std::puts("\n### Reading, RGB, with paper white; memory is the peak above the start\n");
  std::puts("| file | megapixels | processor s | MP/s | MiB |");
  std::puts("|---|---|---|---|---|");
  constexpr int w = 10000, h = 7000;
  const double megapixels = w * double(h) / 1e6;
  for (const int type : {CV_16UC3, CV_8UC3}) {
    std::string none, lzw;
    {
      // Grain in bands, on paper.
      cv::Mat picture(h, w, type);
      cv::RNG rng(1);
      const double full = type == CV_16UC3 ? 65535 : 255;
      rng.fill(picture, cv::RNG::NORMAL, 0.93 * full, 0.003 * full);
      cv::Mat plate = picture(cv::Rect(800, 800, w - 1600, h - 1600));
      rng.fill(plate, cv::RNG::NORMAL, 0.5 * full, 0.2 * full);
      none = scan::tiff_bytes(picture, 600, 600, scan::TiffPacking::none);
      lzw = scan::tiff_bytes(picture, 600, 600, scan::TiffPacking::lzw);
    }
    const auto file = scratch("speed.tif");
    const std::string bits = type == CV_16UC3 ? "16 bit" : "8 bit";
    std::ofstream(file, std::ios::binary) << none;
    none.clear();
    none.shrink_to_fit();
    one_speed(("TIFF " + bits + " none").c_str(), file, megapixels);
    std::ofstream(file, std::ios::binary) << lzw;
    one_speed(("TIFF " + bits + " LZW").c_str(), file, megapixels);
    std::filesystem::remove(file);
  }
}

}  // namespace

// measure_scan [seeds [speed|curves|white]]
int main(int argc, char** argv) {
  const int seeds = argc > 1 ? std::max(1, std::atoi(argv[1])) : 100;
  const std::string part = argc > 2 ? argv[2] : "";
  if (part.empty() || part == "speed") speed();
  if (part.empty() || part == "curves") scanner_curves(seeds);
  if (part.empty() || part == "white") white_field(seeds);
}

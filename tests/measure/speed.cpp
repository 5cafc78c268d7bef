// Wall time and peak memory of `rebite plan` on large pairs, as ratios to the floor: only reading
// both scans to linear reflectance with the library that rebite reads them with, one thread each.
//   measure_speed REBITE BATCH FOLDER [--runs N] [--megapixels 10,40,70]
// Makes its pairs with the plate maker in FOLDER (kept for the next run), prints a markdown table
// and writes FOLDER/speed.json. The other forms are its own child processes.
#include <fcntl.h>
#include <fmt/format.h>
#include <sys/resource.h>
#include <sys/wait.h>
#include <tiffio.h>
#include <unistd.h>

#include <algorithm>
#include <chrono>
#include <cmath>
#include <csignal>
#include <cstdlib>
#include <filesystem>
#include <map>
#include <nlohmann/json.hpp>
#include <stdexcept>
#include <thread>

#include "files/files.h"
#include "jobs/plan_state.h"
#include "tests/measure/big_pair.h"

namespace {

namespace fs = std::filesystem;
using namespace rebite;
using measure::make_scans;
using measure::plate_for;
using measure::Run;
using measure::run;
using measure::scan_of;

// ---- the floor ---------------------------------------------------------------------------------

std::vector<float> read_to_reflectance(const char* file) {
  TIFF* tiff = TIFFOpen(file, "r");
  if (!tiff) throw std::runtime_error("cannot open");
  std::uint32_t width = 0, height = 0;
  TIFFGetField(tiff, TIFFTAG_IMAGEWIDTH, &width);
  TIFFGetField(tiff, TIFFTAG_IMAGELENGTH, &height);
  std::vector<float> table(65536);
  for (std::size_t i = 0; i < table.size(); ++i) {  // IEC 61966-2-1
    const double v = static_cast<double>(i) / 65535;
    table[i] = static_cast<float>(v <= 0.04045 ? v / 12.92 : std::pow((v + 0.055) / 1.055, 2.4));
  }
  std::vector<float> out(std::size_t{width} * height);
  const auto strip_bytes = TIFFStripSize(tiff);
  std::vector<std::uint16_t> strip(static_cast<std::size_t>(strip_bytes) / 2);
  float* to = out.data();
  for (std::uint32_t s = 0; s < TIFFNumberOfStrips(tiff); ++s) {
    const auto got = TIFFReadEncodedStrip(tiff, s, strip.data(), strip_bytes);
    if (got < 0) throw std::runtime_error("cannot read");
    for (std::size_t i = 0; i + 2 < static_cast<std::size_t>(got) / 2; i += 3) {
      *to++ =
          0.2126F * table[strip[i]] + 0.7152F * table[strip[i + 1]] + 0.0722F * table[strip[i + 2]];
    }
  }
  TIFFClose(tiff);
  return out;
}

int floor_run(const char* proof, const char* drawing) {
  std::vector<float> second;
  std::jthread other([&] { second = read_to_reflectance(drawing); });
  const auto first = read_to_reflectance(proof);
  other.join();
  fmt::print("{}\n", first[first.size() / 2] + second[second.size() / 2]);
  return 0;
}

// ---- where the time goes -----------------------------------------------------------------------

double now() {
  return std::chrono::duration<double>(std::chrono::steady_clock::now().time_since_epoch()).count();
}

double cpu_of(const rusage& use) {
  const auto s = [](const timeval& t) {
    return static_cast<double>(t.tv_sec) + 1e-6 * double(t.tv_usec);
  };
  return s(use.ru_utime) + s(use.ru_stime);
}

double cpu_now() {
  rusage use{};
  ::getrusage(RUSAGE_SELF, &use);
  return cpu_of(use);
}

double peak_mib() {
  rusage use{};
  ::getrusage(RUSAGE_SELF, &use);
  return static_cast<double>(use.ru_maxrss) / 1024;
}

int steps_run(const jobs::PlanRequest& request) {
  std::string doing;
  double since = now(), cpu_since = cpu_now();
  const auto close = [&](std::string_view next) {
    if (next == doing) return;
    if (!doing.empty()) {
      fmt::print("{:7.2f} s {:7.2f} CPU s {:6.0f} MiB  {}\n",
                 now() - since,
                 cpu_now() - cpu_since,
                 peak_mib(),
                 doing);
    }
    doing = next;
    since = now();
    cpu_since = cpu_now();
  };
  Progress progress;
  progress.report = [&](double, std::string_view what) { close(what); };
  const auto report = jobs::plan_state(request, progress);
  close("");
  if (!report) fmt::print("{} {}\n", report.error().what, report.error().next);
  return report ? 0 : 1;
}

// Whether the time left, as the command line tells it (spent / fraction * (1 - fraction)), is true:
// its ratio to what was really left, at every report after the first quarter of the time while more
// than a second was left.
int progress_run(const jobs::PlanRequest& request) {
  struct Said {
    double at, fraction;
    std::string doing;
  };
  std::vector<Said> all;
  const double start = now();
  Progress progress;
  progress.report = [&](double f, std::string_view doing) {
    all.push_back({now() - start, f, std::string(doing)});
  };
  const auto report = jobs::plan_state(request, progress);
  const double whole = now() - start;
  double low = 1, high = 1, longest = 0;
  for (std::size_t k = 0; k < all.size(); ++k) {
    const Said& s = all[k];
    longest = std::max(longest, (k + 1 < all.size() ? all[k + 1].at : whole) - s.at);
    if (k == 0 || all[k - 1].doing != s.doing)
      fmt::print("{:5.1f} % of the time, told {:5.1f} %  {}\n",
                 100 * s.at / whole,
                 100 * s.fraction,
                 s.doing);
    if (s.at < whole / 4 || whole - s.at < 1) continue;
    const double ratio = s.at / s.fraction * (1 - s.fraction) / (whole - s.at);
    low = std::min(low, ratio);
    high = std::max(high, ratio);
  }
  fmt::print("time left, told / true: {:.2f} to {:.2f}; longest silence {:.1f} s of {:.1f} s\n",
             low,
             high,
             longest,
             whole);
  return report ? 0 : 1;
}

// ---- whole runs --------------------------------------------------------------------------------

// Ctrl-C at moments all over a plan: how long it takes to end, and whether anything is left behind.
int stops_run(const std::string& rebite, const jobs::PlanRequest& request) {
  const fs::path out = request.out.parent_path() / "stopped";
  const auto start_one = [&] {
    const pid_t child = ::fork();
    if (child != 0) return child;
    const int null = ::open("/dev/null", O_WRONLY);
    ::dup2(null, 1);
    ::dup2(null, 2);
    const std::string plate = fmt::format("{}x{}mm", request.plate.width, request.plate.height);
    ::execl(rebite.c_str(),
            rebite.c_str(),
            "plan",
            request.proof.c_str(),
            request.drawing.c_str(),
            "--batch",
            request.batch.c_str(),
            "--plate",
            plate.c_str(),
            "--out",
            out.c_str(),
            nullptr);
    ::_exit(127);
  };
  const auto left_behind = [&] {
    int n = 0;
    for (const auto& entry : fs::directory_iterator(out.parent_path()))
      n += entry.path().filename().string().find("stopped") != std::string::npos ? 1 : 0;
    return n;
  };
  fs::remove_all(out);
  int status = 0;
  double start = now();
  ::waitpid(start_one(), &status, 0);
  const double whole = now() - start;
  fs::remove_all(out);
  double longest = 0;
  int left = 0, wrong = 0, over = 0;
  constexpr int moments = 20;
  for (int k = 0; k < moments; ++k) {
    const pid_t child = start_one();
    std::this_thread::sleep_for(std::chrono::duration<double>(whole * (k + 0.5) / moments));
    start = now();
    ::kill(child, SIGINT);
    ::waitpid(child, &status, 0);
    longest = std::max(longest, now() - start);
    if (WIFEXITED(status) && WEXITSTATUS(status) == 0) {
      ++over;  // this plan was quicker than the first: there was nothing left to stop
    } else {
      wrong += WIFEXITED(status) && WEXITSTATUS(status) == 130 ? 0 : 1;
      left += left_behind();
    }
    fs::remove_all(out);
  }
  fmt::print(
      "{} stops of a plan of {:.1f} s: ended after {:.2f} s at most, {} came too late, {} without "
      "exit code 130, {} files or folders left\n",
      moments,
      whole,
      longest,
      over,
      wrong,
      left);
  return wrong || left ? 1 : 0;
}

struct Spread {
  double least = 0, median = 0, most = 0;
};

Spread spread_of(std::vector<double> v) {
  std::sort(v.begin(), v.end());
  return {v.front(), v[v.size() / 2], v.back()};
}

struct Choice {
  std::string self, rebite, batch;
  fs::path folder;
  int runs = 3;
  std::vector<double> megapixels{10, 40, 70};
};

nlohmann::ordered_json measure(const Choice& choice, double megapixels, bool lzw) {
  const std::string proof = scan_of(choice.folder, megapixels, "proof", lzw);
  const std::string drawing = scan_of(choice.folder, megapixels, "drawing", lzw);
  const SizeMm plate = plate_for(megapixels);
  const std::string out = choice.folder / "plan";
  std::vector<double> floor, plan, ratio, cpu, cpu_ratio, memory;
  for (int i = 0; i < choice.runs; ++i) {
    const Run least = run({choice.self, "floor", proof, drawing});
    floor.push_back(least.seconds);
    const Run whole = run({choice.rebite,
                           "plan",
                           proof,
                           drawing,
                           "--batch",
                           choice.batch,
                           "--plate",
                           fmt::format("{}x{}mm", plate.width, plate.height),
                           "--out",
                           out});
    plan.push_back(whole.seconds);
    cpu.push_back(whole.cpu);
    cpu_ratio.push_back(whole.cpu / least.cpu);
    memory.push_back(whole.mib);
    ratio.push_back(plan.back() / floor.back());
  }
  const Spread f = spread_of(floor), p = spread_of(plan), r = spread_of(ratio);
  const double mib = spread_of(memory).most;
  fmt::print(
      "| {:.0f} | {} | {:.2f} ({:.2f}..{:.2f}) | {:.2f} ({:.2f}..{:.2f}) | "
      "{:.1f} ({:.1f}..{:.1f}) | {:.2f} | {:.1f} | {:.3f} | {:.0f} |\n",
      megapixels,
      lzw ? "LZW" : "none",
      f.median,
      f.least,
      f.most,
      p.median,
      p.least,
      p.most,
      r.median,
      r.least,
      r.most,
      spread_of(cpu).median,
      spread_of(cpu_ratio).median,
      p.median / megapixels,
      mib);
  std::fflush(stdout);
  return {{"megapixels", megapixels},
          {"packing", lzw ? "lzw" : "none"},
          {"runs", choice.runs},
          {"floor_s", floor},
          {"plan_s", plan},
          {"ratio_median", r.median},
          {"plan_cpu_s", cpu},
          {"cpu_ratio_median", spread_of(cpu_ratio).median},
          {"plan_s_per_megapixel", p.median / megapixels},
          {"peak_mib", mib}};
}

int measure_all(const Choice& choice) {
  fs::create_directories(choice.folder);
  for (const double m : choice.megapixels) make_scans(choice.folder, m);
  fmt::print(
      "| Mpx a scan | packing | floor, s | rebite plan, s | ratio | CPU s | ratio of CPU | s per "
      "Mpx "
      "| peak, MiB |\n|---|---|---|---|---|---|---|---|---|\n");
  nlohmann::ordered_json all = nlohmann::ordered_json::array();
  for (const bool lzw : {false, true}) {
    for (const double m : choice.megapixels) all.push_back(measure(choice, m, lzw));
  }
  const auto written = files::write_atomically(choice.folder / "speed.json", all.dump(2) + "\n");
  return written ? 0 : 1;
}

std::vector<double> numbers(std::string_view text) {
  std::vector<double> v;
  while (!text.empty()) {
    const auto comma = text.find(',');
    v.push_back(std::stod(std::string(text.substr(0, comma))));
    text.remove_prefix(comma == std::string_view::npos ? text.size() : comma + 1);
  }
  return v;
}

// The request of "steps" and "progress": BATCH FOLDER MEGAPIXELS [lzw].
jobs::PlanRequest request_of(const std::vector<std::string>& words) {
  const double megapixels = std::stod(words[3]);
  jobs::PlanRequest request;
  request.batch = words[1];
  request.proof = scan_of(words[2], megapixels, "proof", words.size() > 4);
  request.drawing = scan_of(words[2], megapixels, "drawing", words.size() > 4);
  request.plate = plate_for(megapixels);
  request.out = fs::path(words[2]) / "plan";
  make_scans(words[2], megapixels);
  return request;
}

}  // namespace

int main(int argc, char** argv) {
  const std::vector<std::string> words(argv + 1, argv + argc);
  try {
    if (words.size() == 3 && words[0] == "floor") return floor_run(argv[2], argv[3]);
    // steps BATCH FOLDER MEGAPIXELS [lzw]: where the time and the memory go, in one process
    if (words.size() >= 4 && words[0] == "steps") return steps_run(request_of(words));
    // progress BATCH FOLDER MEGAPIXELS [lzw]: whether the time left is told truly
    if (words.size() >= 4 && words[0] == "progress") return progress_run(request_of(words));
    // stops BATCH FOLDER MEGAPIXELS REBITE: Ctrl-C at twenty moments of a plan
    if (words.size() == 5 && words[0] == "stops")
      return stops_run(words[4], request_of({words.begin(), words.end() - 1}));
    if (words.size() < 3) {
      fmt::print(stderr,
                 "usage: measure_speed REBITE BATCH FOLDER [--runs N] [--megapixels A,B]\n");
      return 64;
    }
    Choice choice{fs::canonical("/proc/self/exe"), words[0], words[1], words[2]};
    for (std::size_t i = 3; i + 1 < words.size(); i += 2) {
      if (words[i] == "--runs") choice.runs = std::stoi(words[i + 1]);
      if (words[i] == "--megapixels") choice.megapixels = numbers(words[i + 1]);
    }
    return measure_all(choice);
  } catch (const std::exception& problem) {
    fmt::print(stderr, "measure_speed: {}\n", problem.what());
    return 1;
  }
}

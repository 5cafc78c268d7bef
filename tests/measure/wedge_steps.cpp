// Densities of found steps against what the sheet shows; and how uneven light moves them.
#include <fmt/format.h>

#include <algorithm>
#include <string>
#include <vector>

#include "scan/scanner_curve.h"
#include "tests/measure/errors.h"
#include "tests/measure/wedge.h"
#include "tests/wedge/made_wedge.h"
#include "tests/wedge/step_simulator.h"

namespace rebite::wedge::measure_parts {
namespace {

const std::vector<double> camera_11{
    0.05, 0.13, 0.22, 0.32, 0.43, 0.55, 0.69, 0.88, 1.06, 1.31, 1.65};

// Mean of the truth over the middle of a step, in reflectance as a densitometer takes it.
double true_density(const maker::MadeScan& made, PlateMm centre, SizeMm step) {
  const double k = made.true_density_px_per_mm;
  double sum = 0;
  int n = 0;
  for (double y = centre.y - step.height / 2 + 1.5; y < centre.y + step.height / 2 - 1.5;
       y += 0.5) {
    for (double x = centre.x - step.width / 2 + 1.5; x < centre.x + step.width / 2 - 1.5;
         x += 0.5) {
      const int row = static_cast<int>(y * k), column = static_cast<int>(x * k);
      sum += std::pow(10.0, -static_cast<double>(made.true_density(row, column)));
      ++n;
    }
  }
  return -std::log10(sum / n);
}

// The errors of many wedges, and which wedges erred most.
struct WedgeErrors {
  measure::Errors all;
  std::vector<std::pair<double, int>> by_wedge;  // largest error, seed
  int wedges = 0;
  std::vector<int> unread;
  void add(int seed, const std::vector<double>& errors) {
    double most = 0;
    for (const double e : errors) {
      all.add(e);
      most = std::max(most, std::fabs(e));
    }
    by_wedge.emplace_back(most, seed);
  }
  void print(const std::string& row) {
    std::sort(by_wedge.rbegin(), by_wedge.rend());
    std::string worst;
    for (std::size_t i = 0; i < std::min<std::size_t>(3, by_wedge.size()); ++i) {
      worst += fmt::format("{}{} ({:.4f})", i ? ", " : "", by_wedge[i].second, by_wedge[i].first);
    }
    fmt::print("| {} | {} | {} | {:.4f} | {:.4f} | {} |\n",
               row,
               wedges,
               by_wedge.size(),
               all.rms(),
               all.worst,
               worst);
    if (!unread.empty()) fmt::print("not read: seeds {}\n", fmt::join(unread, " "));
    std::fflush(stdout);
  }
};

struct StepsCase {
  std::string name;
  maker::ScannerTone tone = maker::ScannerTone::srgb;
  bool measured_curve = false;
  int bits = 16;
};

std::optional<scan::ScannerCurve> curve_of(maker::Scanner scanner) {
  scanner.dpi = 120;
  scanner.turn_deg = 0;
  const auto file = std::filesystem::temp_directory_path() /
                    fmt::format("rebite-grey-{}.tif", ::getpid());
  maker::write_scan(maker::grey_scale(camera_11, {9, 12}, scanner), file.string());
  auto measured = scan::measure_scanner(file, {camera_11, 0});
  std::filesystem::remove(file);
  if (!measured) return std::nullopt;
  return std::move(*measured);
}

maker::WedgeSpec spec_of(int seed) {
  maker::Chance chance(static_cast<std::uint64_t>(seed) * 77 + 3);
  maker::WedgeSpec spec;
  const int n = 5 + chance.below(6);
  spec.minutes = simulated_ladder(n, chance);
  spec.rows = n % 2 == 0 && seed % 3 == 0 ? 2 : 1;
  spec.step = {10, 14};
  spec.border_mm = 4;
  spec.gap_mm = seed % 4 == 0 ? 2 : 0;
  spec.curve = random_bath(chance);
  if (seed % 5 == 0) spec.curve.d1 = 0.9;
  spec.ground_seed = static_cast<std::uint64_t>(seed);
  if (seed % 2 == 0) std::reverse(spec.minutes.begin(), spec.minutes.end());
  return spec;
}

// Errors of the steps of one wedge; empty where it is not read.
std::vector<double> step_errors(int seed,
                                const maker::Scanner& scanner,
                                const scan::ScannerCurve* curve) {
  const maker::WedgeSpec spec = spec_of(seed);
  maker::Impression sheet = print_number(seed, 0);
  sheet.margin_mm = 10;  // as the README asks for
  const auto made = maker::print_wedge(spec, sheet, scanner);
  const auto in_time = read_made(made, spec.minutes, curve);
  if (!in_time) return {};
  const auto centres = maker::wedge_step_centres(spec);
  std::vector<double> errors;
  for (std::size_t i = 0; i < centres.size(); ++i) {
    const auto s = std::find_if(in_time->begin(), in_time->end(), [&](const WedgeStep& w) {
      return w.time == BiteTime::minutes(spec.minutes[i]);
    });
    errors.push_back(s->density.value() - true_density(made, centres[i], spec.step));
  }
  return errors;
}

}  // namespace

// Every scanner reads every seed's wedge; resolutions take turns: 150 and 300 dpi twice, 600 once.
void steps(int seeds, int first) {
  fmt::print(
      "| scanner | dpi | wedges | read | rms D | worst D | worst seeds |\n"
      "|---|---|---|---|---|---|---|\n");
  for (const StepsCase& how :
       {StepsCase{"contrasty, measured curve", maker::ScannerTone::contrasty, true},
        StepsCase{"linear, measured curve", maker::ScannerTone::linear, true},
        StepsCase{"sRGB, 8 bits, measured curve", maker::ScannerTone::srgb, true, 8},
        StepsCase{"sRGB, read as sRGB"}}) {
    WedgeErrors by_dpi[3];
    constexpr double dpis[3] = {150, 300, 600};
    for (int seed = first; seed < first + seeds; ++seed) {
      const int which = seed % 5 / 2;
      maker::Scanner scanner = a_scanner(seed, dpis[which]);
      // Any turn at 150 dpi; nearly upright where a turned scan would be mostly paper.
      if (which > 0) scanner.turn_deg = 90 * (seed % 4) + (seed * 37) % 7 - 3;
      scanner.tone = how.tone;
      scanner.bits = how.bits;
      scanner.flare = how.measured_curve ? 0.004 : 0;
      std::optional<scan::ScannerCurve> curve;
      if (how.measured_curve) curve = curve_of(scanner);
      ++by_dpi[which].wedges;
      std::vector<double> errors;
      if (curve || !how.measured_curve) {
        errors = step_errors(seed, scanner, curve ? &*curve : nullptr);
      }
      if (errors.empty()) {
        by_dpi[which].unread.push_back(seed);
      } else {
        by_dpi[which].add(seed, errors);
      }
    }
    for (int which = 0; which < 3; ++which) {
      by_dpi[which].print(fmt::format("{} | {:.0f}", how.name, dpis[which]));
    }
  }
}

void light(int seeds, int first) {
  fmt::print(
      "| light | dpi | wedges | read | rms D | worst D | worst seeds |\n"
      "|---|---|---|---|---|---|---|\n");
  WedgeErrors by_dpi[3];
  constexpr double dpis[3] = {100, 150, 200};
  for (int seed = first; seed < first + seeds; ++seed) {
    const int which = seed % 5 / 2;
    maker::WedgeSpec spec;
    spec.minutes = {0, 0.25, 0.5, 1, 2, 4, 8, 16, 30};
    spec.step = {13, 12};  // as long as ever over the platen, but cheap to print
    maker::Scanner scanner = a_scanner(seed, dpis[which]);
    const auto even =
        read_made(maker::print_wedge(spec, print_number(seed, 0), scanner), spec.minutes);
    scanner.uneven_light = 0.08;
    const auto other =
        read_made(maker::print_wedge(spec, print_number(seed, 0), scanner), spec.minutes);
    ++by_dpi[which].wedges;
    if (!even || !other) {
      by_dpi[which].unread.push_back(seed);
      continue;
    }
    std::vector<double> moved;
    for (std::size_t i = 0; i < even->size(); ++i) {
      moved.push_back(((*other)[i].density - (*even)[i].density).value());
    }
    by_dpi[which].add(seed, moved);
  }
  for (int which = 0; which < 3; ++which) {
    by_dpi[which].print(fmt::format("+-8 % | {:.0f}", dpis[which]));
  }
}

}  // namespace rebite::wedge::measure_parts

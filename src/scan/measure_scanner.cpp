#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numeric>

#include "files/files.h"
#include "scan/find_greys.h"
#include "scan/grey_fit.h"
#include "scan/load.h"
#include "scan/scanner_curve.h"

namespace rebite::scan {
namespace {

constexpr std::size_t fewest = 5, most = 40;
constexpr double clipped_patch = 0.02;  // share of a patch's pixels at an end of the scale

Result<void> check_list(const std::vector<double>& densities) {
  if (densities.size() < fewest || densities.size() > most) {
    return refuse(
        ProblemKind::usage,
        fmt::format("{} densities are listed; a grey scale of {} to {} patches is needed",
                    densities.size(),
                    fewest,
                    most),
        "List the density of every patch, e.g. --densities 0.05,0.13,0.22,0.32,0.43,0.55");
  }
  for (const double d : densities) {
    if (!std::isfinite(d) || d < -0.1 || d > 4) {
      return refuse(ProblemKind::usage,
                    fmt::format("{} is no density of a print or paper", d),
                    "Densities lie between 0 (white) and about 3.");
    }
  }
  std::vector<double> sorted = densities;
  std::sort(sorted.begin(), sorted.end());
  const auto twice = std::adjacent_find(sorted.begin(), sorted.end());
  if (twice != sorted.end()) {
    return refuse(
        ProblemKind::usage,
        fmt::format("the density {} is listed twice", *twice),
        "Each patch of a grey scale has a density of its own; look at the scale's sheet.");
  }
  return {};
}

// Patches from dark to light; refuses clipped ones and codes that do not fall with density.
Result<std::vector<CodeDensity>> in_order(const std::vector<GreyReading>& readings,
                                          const std::vector<double>& densities,
                                          const std::string& name) {
  std::vector<std::size_t> by(readings.size());
  std::iota(by.begin(), by.end(), std::size_t{0});
  std::sort(by.begin(), by.end(), [&](std::size_t a, std::size_t b) {
    return densities[a] > densities[b];
  });
  std::vector<CodeDensity> sorted;
  for (const std::size_t i : by) {
    if (readings[i].clipped > clipped_patch) {
      return refuse(
          ProblemKind::data,
          fmt::format("{}: the patch of density {} is clipped ({:.0f} % of it at the end of "
                      "the scale)",
                      name,
                      densities[i],
                      100 * readings[i].clipped),
          "Switch off automatic exposure and contrast in the scanner software and scan "
          "again.");
    }
    if (!sorted.empty() && readings[i].code <= sorted.back().code) {
      return refuse(
          ProblemKind::data,
          fmt::format("{}: the patch of density {} has code {:.4f}, not lighter than {:.4f} "
                      "of the patch of density {}",
                      name,
                      densities[i],
                      readings[i].code,
                      sorted.back().code,
                      sorted.back().density),
          "Check the order of the densities; list only patches the scanner tells apart.");
    }
    sorted.push_back({readings[i].code, densities[i]});
  }
  return sorted;
}

void add_notes(const GreyFit& fit, const std::vector<CodeDensity>& sorted, ScannerCurve& curve) {
  for (std::size_t i = 1; i + 1 < sorted.size(); ++i) {
    if (std::abs(fit.left_out[i]) > std::max(0.03, 3 * fit.residual_sd)) {
      curve.notes.push_back(fmt::format(
          "The patch of density {} reads {:+.3f} D off the curve through the others: is it "
          "soiled, or listed wrongly?",
          sorted[i].density,
          fit.left_out[i]));
    }
  }
  if (fit.flare > 0.01) {
    curve.notes.push_back(
        fmt::format("Stray light of {:.1f} % of white: blacks are read lighter by it beside wide "
                    "white areas. Clean "
                    "the glass, and scan proofs with a sheet of grey paper round them.",
                    100 * fit.flare));
  }
  curve.notes.push_back(
      fmt::format("Measured from D {:.2f} to D {:.2f}; tones beyond are read as the "
                  "nearest of these.",
                  sorted.back().density,
                  sorted.front().density));
}

}  // namespace

Result<ScannerCurve> measure_scanner(const std::filesystem::path& scan,
                                     const GreyScaleOptions& options) {
  if (auto r = check_list(options.densities); !r) return std::unexpected(r.error());
  LoadOptions load_options;
  load_options.dpi = options.dpi;
  load_options.resolution_needed = false;
  load_options.way = ToneWay::codes;
  auto loaded = load(scan, load_options);
  if (!loaded) return std::unexpected(loaded.error());
  const std::string name = files::shown(scan);
  const auto readings = find_greys(loaded->values, options.densities, name);
  if (!readings) return std::unexpected(readings.error());
  const auto sorted = in_order(*readings, options.densities, name);
  if (!sorted) return std::unexpected(sorted.error());
  const GreyFit fit = fit_greys(*sorted);
  ScannerCurve curve;
  curve.code = fit.code;
  curve.reflectance = fit.reflectance;
  curve.flare = fit.flare;
  curve.residual_sd = fit.residual_sd;
  curve.bits = loaded->info.bits;
  curve.profile = loaded->info.profile;
  curve.notes = loaded->notes;
  // As listed, not as sorted.
  for (std::size_t i = 0; i < options.densities.size(); ++i) {
    const auto at = std::find_if(sorted->begin(), sorted->end(), [&](const CodeDensity& p) {
      return p.density == options.densities[i];
    });
    const auto k = static_cast<std::size_t>(at - sorted->begin());
    curve.patches.push_back(
        {Density::of(options.densities[i]), (*readings)[i].code, fit.residual[k]});
  }
  add_notes(fit, *sorted, curve);
  return curve;
}

}  // namespace rebite::scan

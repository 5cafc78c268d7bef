#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numeric>
#include <optional>

#include "files/files.h"
#include "scan/card_light.h"
#include "scan/find_greys.h"
#include "scan/grey_fit.h"
#include "scan/halo.h"
#include "scan/load.h"
#include "scan/median.h"
#include "scan/scanner_curve.h"
#include "scan/tone_table.h"

namespace rebite::scan {
namespace {

constexpr std::size_t fewest = 5, most = 40;
constexpr double clipped_patch = 0.02;  // share of a patch's pixels at an end of the scale
constexpr double sharpened = 0.03;      // halo, share of the step

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
                    "Densities lie between 0 (white) and about 3; write them with a decimal point "
                    "(0.06), and commas between them.");
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

// Indices of the patches from dark to light; refuses clipped ones and codes that do not fall with
// density.
Result<std::vector<std::size_t>> dark_to_light(const std::vector<GreyReading>& readings,
                                               const std::vector<double>& densities,
                                               const std::string& name) {
  std::vector<std::size_t> by(readings.size());
  std::iota(by.begin(), by.end(), std::size_t{0});
  std::sort(by.begin(), by.end(), [&](std::size_t a, std::size_t b) {
    return densities[a] > densities[b];
  });
  for (std::size_t k = 0; k < by.size(); ++k) {
    const GreyReading& r = readings[by[k]];
    const double d = densities[by[k]];
    if (r.clipped > clipped_patch) {
      return refuse(
          ProblemKind::data,
          fmt::format("{}: the patch of density {} is clipped ({:.0f} % of it at the end of "
                      "the scale)",
                      name,
                      d,
                      100 * r.clipped),
          "Switch off automatic exposure and contrast in the scanner software and scan "
          "again.");
    }
    if (k > 0 && r.code <= readings[by[k - 1]].code) {
      return refuse(
          ProblemKind::data,
          fmt::format("{}: the patch of density {} has code {:.4f}, not lighter than {:.4f} "
                      "of the patch of density {}",
                      name,
                      d,
                      r.code,
                      readings[by[k - 1]].code,
                      densities[by[k - 1]]),
          "Check the order of the densities; list only patches the scanner tells apart.");
    }
  }
  return by;
}

// Codes with the densities as this scanner's light makes them seem.
std::vector<CodeDensity> as_lit(const std::vector<std::size_t>& by,
                                const std::vector<GreyReading>& readings,
                                const std::vector<double>& densities,
                                const std::vector<double>& log_light) {
  std::vector<CodeDensity> sorted;
  for (const std::size_t i : by) {
    sorted.push_back({readings[i].code, densities[i] - log_light[i]});
  }
  return sorted;
}

struct LitFit {
  GreyFit fit;
  CardLight light;
};

// The card's codes become light only through the curve, and the curve needs the light: three rounds
// settle it (the light is a few per cent and the curve's error from it a few per cent of that).
LitFit fit_with_light(const std::vector<std::size_t>& by,
                      const std::vector<GreyReading>& readings,
                      const std::vector<double>& densities) {
  LitFit f;
  f.light.log_light.assign(readings.size(), 0.0);
  f.fit = fit_greys(as_lit(by, readings, densities, f.light.log_light));
  for (int round = 0; round < 3; ++round) {
    f.light = light_along_card(readings, f.fit);
    const bool even = std::all_of(
        f.light.log_light.begin(), f.light.log_light.end(), [](double l) { return l == 0; });
    if (even) break;
    f.fit = fit_greys(as_lit(by, readings, densities, f.light.log_light));
  }
  return f;
}

void add_light_note(const CardLight& light, ScannerCurve& curve) {
  if (!light.seen) {
    curve.notes.push_back(
        "No even card was seen beside the patches: whether the scanner lights the scale evenly "
        "cannot be "
        "told.");
  } else if (light.range > 0.005) {
    curve.notes.push_back(fmt::format(
        "The light changes by {:.1f} % along the grey scale, seen on its card, and was taken out.",
        100 * (std::pow(10.0, light.range) - 1)));
  }
}

// The steps of an 8-bit scan in the darks, by the curve that was found: at D 1.4, or at the darkest
// patch where that is lighter (below it the curve tells nothing).
void add_code_note(ScannerCurve& curve) {
  if (curve.bits != 8) return;
  CodeStep worst;
  std::vector<const CodeCurve*> all{&curve};
  for (const CodeCurve& c : curve.channels) all.push_back(&c);
  for (const CodeCurve* c : all) {
    std::vector<double> of_codes(256);
    for (std::size_t k = 0; k < of_codes.size(); ++k) {
      of_codes[k] = c->reflectance_of(double(k) / 255);
    }
    const CodeStep step = code_step_in_darks(of_codes);
    if (step.step > worst.step) worst = step;
  }
  if (worst.step > coarse_code_step) curve.notes.push_back(coarse_codes_note(worst));
}

// Which of the patch `i` and its neighbours is wrong: the one without which the others agree best.
// (An end's error shows at the patch beside it, since what is left out inside is told by both sides.)
std::size_t wrong_of_three(const std::vector<CodeDensity>& sorted, std::size_t i) {
  std::size_t wrong = i;
  double least = 1e9;
  for (std::size_t k = i - 1; k <= i + 1; ++k) {
    std::vector<CodeDensity> others = sorted;
    others.erase(others.begin() + static_cast<std::ptrdiff_t>(k));
    double worst = 0;
    for (const double e : fit_greys(others).left_out) worst = std::max(worst, std::abs(e));
    if (worst >= least) continue;
    least = worst;
    wrong = k;
  }
  return wrong;
}

// The one density that agrees least with the others. Its own error widens residual_sd and bends the
// curve at its neighbours, so the measure is the median of all, and only the worst is named.
void add_wrong_patch_note(const GreyFit& fit,
                          const std::vector<CodeDensity>& sorted,
                          ScannerCurve& curve) {
  std::vector<double> off;
  for (std::size_t i = 1; i + 1 < sorted.size(); ++i) off.push_back(std::abs(fit.left_out[i]));
  const auto worst = std::ranges::max_element(off);
  if (worst == off.end() || *worst <= std::max(0.03, 4 * median(off))) return;
  const auto seen_at = static_cast<std::size_t>(worst - off.begin()) + 1;
  const std::size_t i = sorted.size() > fewest ? wrong_of_three(sorted, seen_at) : seen_at;
  curve.notes.push_back(
      fmt::format("The patch of density {} reads {:+.3f} D off the curve through the others: is it "
                  "soiled, or listed wrongly?",
                  sorted[i].density,
                  fit.left_out[i]));
}

void add_notes(const GreyFit& fit, const std::vector<CodeDensity>& sorted, ScannerCurve& curve) {
  add_wrong_patch_note(fit, sorted, curve);
  if (fit.flare > 0.01) {
    curve.notes.push_back(
        fmt::format("Stray light of {:.1f} % of white: blacks are read lighter by it beside wide "
                    "white areas. Clean "
                    "the glass, and scan proofs with a sheet of grey paper round them.",
                    100 * fit.flare));
  }
  curve.notes.push_back(
      fmt::format("Measured from D {:.2f} to D {:.2f}. Tones beyond are not told, and specks of ink "
                  "darker than that make the darks doubtful: the scale should go to the density of "
                  "your solid black.",
                  sorted.back().density,
                  sorted.front().density));
}

// A curve from readings in the order of the list; `by` their indices from dark to light.
CodeCurve curve_of(const LitFit& lit,
                   const std::vector<std::size_t>& by,
                   const std::vector<GreyReading>& readings,
                   const std::vector<double>& densities) {
  CodeCurve c;
  c.code = lit.fit.code;
  c.reflectance = lit.fit.reflectance;
  c.flare = lit.fit.flare;
  c.residual_sd = lit.fit.residual_sd;
  c.patches.resize(readings.size());
  for (std::size_t k = 0; k < by.size(); ++k) {  // as listed, not as sorted
    const std::size_t i = by[k];
    c.patches[i] = {Density::of(densities[i]), readings[i].code, lit.fit.residual[k]};
  }
  return c;
}

// A falling curve that misses its own patches by this much (rms) is of something else than the list.
constexpr double most_residual = 0.05;  // D; a soiled patch of 11, 0.1 D off, leaves 0.03

std::optional<Problem> strays_from(const CodeCurve& curve, const std::string& name) {
  double squares = 0;
  const auto worst = std::ranges::max_element(
      curve.patches, {}, [](const auto& p) { return std::abs(p.residual); });
  for (const auto& p : curve.patches) squares += p.residual * p.residual;
  const double rms = std::sqrt(squares / static_cast<double>(curve.patches.size()));
  if (rms <= most_residual) return std::nullopt;
  return Problem{ProblemKind::data,
                 fmt::format("{}: its patches do not follow the list: they stray by {:.2f} D (rms), "
                             "the patch of density {} most",
                             name,
                             rms,
                             worst->density.value()),
                 "Give the densities printed with this scale, and scan the grey scale alone, not a "
                 "wedge or a picture."};
}

// One more curve for each channel, measured where the luminance showed the patches.
Result<std::vector<CodeCurve>> channel_curves(const std::filesystem::path& scan,
                                              LoadOptions options,
                                              std::vector<GreyReading> readings,
                                              const std::vector<double>& densities) {
  std::vector<CodeCurve> curves;
  for (const ToneWay way : {ToneWay::red_codes, ToneWay::green_codes, ToneWay::blue_codes}) {
    options.way = way;
    const auto loaded = load(scan, options);
    if (!loaded) return std::unexpected(loaded.error());
    read_greys(loaded->values, readings);
    const std::string name =
        fmt::format("{}, {} channel", files::shown(scan), channel_names[curves.size()]);
    const auto by = dark_to_light(readings, densities, name);
    if (!by) return std::unexpected(by.error());
    curves.push_back(
        curve_of(fit_with_light(*by, readings, densities), *by, readings, densities));
    if (const auto strays = strays_from(curves.back(), name)) return std::unexpected(*strays);
  }
  return curves;
}

}  // namespace

Result<ScannerCurve> measure_scanner(const std::filesystem::path& scan,
                                     const GreyScaleOptions& options) {
  if (auto r = check_list(options.densities); !r) return std::unexpected(r.error());
  LoadOptions load_options;
  load_options.dpi = options.dpi;
  load_options.way = ToneWay::codes;
  const auto loaded = load(scan, load_options);
  if (!loaded) return std::unexpected(loaded.error());
  const std::string name = files::shown(scan);
  const auto row = find_greys(loaded->values, options.densities, name);
  if (!row) return std::unexpected(row.error());
  const std::vector<GreyReading>& readings = row->patches;
  const auto by = dark_to_light(readings, options.densities, name);
  if (!by) return std::unexpected(by.error());
  const LitFit lit = fit_with_light(*by, readings, options.densities);
  ScannerCurve curve;
  static_cast<CodeCurve&>(curve) = curve_of(lit, *by, readings, options.densities);
  if (const auto strays = strays_from(curve, name)) return std::unexpected(*strays);
  curve.scan_channels = loaded->info.channels;
  curve.bits = loaded->info.bits;
  curve.profile = loaded->info.profile;
  curve.notes = loaded->notes;
  if (curve.scan_channels == 3) {
    auto channels = channel_curves(scan, load_options, readings, options.densities);
    if (!channels) return std::unexpected(channels.error());
    curve.channels = std::move(*channels);
  }
  if (const double halo = halo_share(loaded->values, readings); halo > sharpened) {
    curve.notes.push_back(
        fmt::format("Along the patches' borders the tones overshoot by {:.0f} % of the step, as "
                    "sharpening does: grain and edges then read wrong. Switch off sharpening "
                    "(unsharp mask) in the scanner software and scan again.",
                    100 * halo));
  }
  add_light_note(lit.light, curve);
  if (row->card_like_a_patch) {
    curve.notes.push_back(fmt::format(
        "The card beside the row is as light as one patch more would be: if the scale has {} patches "
        "and one of them looks like the card, its density is missing in the list and the curve is "
        "off by a patch.",
        options.densities.size() + 1));
  }
  add_code_note(curve);
  add_notes(
      lit.fit, as_lit(*by, readings, options.densities, std::vector<double>(by->size(), 0.0)), curve);
  return curve;
}

}  // namespace rebite::scan

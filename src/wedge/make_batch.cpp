#include "wedge/make_batch.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "wedge/fit_curve.h"

namespace rebite::wedge {
namespace {

std::optional<std::string> spread_note(double seen, const std::vector<double>& strays) {
  const std::size_t impressions = strays.size();
  if (impressions < 2) {
    return fmt::format(
        "Only one impression: the spread from print to print was taken as {:.2f} D. Print and scan "
        "the wedge three times to measure it.",
        assumed_print_spread);
  }
  if (seen > 3 * assumed_print_spread) {
    const auto furthest = std::ranges::max_element(strays);
    return fmt::format(
        "The impressions differ by {:.2f} D where prints wiped alike differ by about {:.2f}{}: is each "
        "of them of this wedge, and printed with the same ink and wiping?",
        seen,
        assumed_print_spread,
        impressions < 3 ? std::string()
                        : fmt::format("; number {} of them strays most, by {:.2f} D",
                                      furthest - strays.begin() + 1,
                                      *furthest));
  }
  if (seen > 0.2 * assumed_print_spread) return std::nullopt;
  return fmt::format(
      "The {} impressions agree within {:.4f} D, more closely than wiping by hand does. If they are "
      "scans of one print, give one of them only: the curve is held surer than it is.",
      impressions,
      seen);
}

// A step of time 0 that is clearly darker than the metal beside it was bitten: the times are off by
// one step. Wiping differs by a print's spread, and less over a few millimetres; a bitten tone shows
// its grain as well, which unbitten metal has not.
Result<void> check_unbitten(const std::vector<std::vector<FoundStep>>& impressions,
                            const WedgeStep& first) {
  if (first.time.in_minutes() > 0) return {};
  double own = 0, metal = 0, grain = 0, metal_grain = 0;
  const auto n = static_cast<double>(impressions.size());
  for (const auto& steps : impressions) {
    const auto lightest = std::min_element(steps.begin(), steps.end(), [](auto& a, auto& b) {
      return a.tone.density < b.tone.density;
    });
    if (!lightest->metal) return {};
    own += lightest->tone.density.value() / n;
    metal += lightest->metal->value() / n;
    grain += lightest->tone.grain_sd / n;
    metal_grain += lightest->metal_grain_sd / n;
  }
  const bool bitten_grain = grain > 2 * metal_grain + 0.03;
  if (own - metal < (bitten_grain ? 0.025 : 0.05)) return {};
  return refuse(ProblemKind::data,
                fmt::format("The lightest step prints D {:.2f}, but the unbitten metal beside it D "
                            "{:.2f}: it was bitten, and its time was given as 0.",
                            own,
                            metal),
                "Give one time per step; an unbitten step looks like the metal round the wedge.");
}

// A unit mistyped ("16h" for "16min") gives one stride of the ladder that is far longer than all others.
std::optional<std::string> stride_note(const std::vector<WedgeStep>& steps) {
  constexpr double odd = 10;  // times the longest of the others
  std::vector<double> strides;  // of the bitten steps, as factors
  std::size_t longest = 0;
  for (std::size_t i = 1; i < steps.size(); ++i) {
    const double before = steps[i - 1].time.in_minutes();
    strides.push_back(before > 0 ? steps[i].time.in_minutes() / before : 1);
    if (strides.back() > strides[longest]) longest = strides.size() - 1;
  }
  double others = 1;
  for (std::size_t i = 0; i < strides.size(); ++i) {
    if (i != longest) others = std::max(others, strides[i]);
  }
  if (strides.empty() || strides[longest] < odd * others) return std::nullopt;
  return fmt::format(
      "The time of {:g} min is {:.0f} times the one before it, {:g} min, while no other of the wedge's "
      "times is more than {:.1f} times the one before: is its unit right?",
      steps[longest + 1].time.in_minutes(),
      strides[longest],
      steps[longest].time.in_minutes(),
      others);
}

Density full_ink(const std::vector<std::vector<FoundStep>>& impressions, const ToneCurve& curve) {
  double spots = 0;
  for (const auto& steps : impressions) {
    const auto darkest = std::max_element(steps.begin(), steps.end(), [](auto& a, auto& b) {
      return a.tone.density < b.tone.density;
    });
    spots += darkest->darkest_spots.value() / static_cast<double>(impressions.size());
  }
  // A tone as dark as the curve's end must still leave a trace of land, or no bite could reach it.
  constexpr double trace = 0.01;
  double solid = std::max(spots, curve.table().density.back() + trace);
  for (const auto& [name, value] : curve.parameters()) {
    // The end tone only where the ladder comes near it: else it is a guess far past the steps.
    if (name == "d1" && value < curve.table().density.back() + 0.1) {
      solid = std::max(solid, value + trace);
    }
  }
  return Density::of(solid);
}

}  // namespace

Result<std::vector<BiteTime>> totals_from_dips(const std::vector<BiteTime>& dips) {
  std::vector<BiteTime> totals;
  BiteTime total = BiteTime::minutes(0);
  for (std::size_t i = 0; i < dips.size(); ++i) {
    const double seconds = dips[i].in_seconds();
    if (!(seconds >= 0) || (i > 0 && !(seconds > 0))) {
      return refuse(
          ProblemKind::usage,
          fmt::format("Dip {} is {:g} s, but every dip after the first adds time.", i + 1, seconds),
          "Give the dips in the order in which they were made.");
    }
    total = total + dips[i];
    totals.push_back(total);
  }
  if (totals.empty()) {
    return refuse(ProblemKind::usage, "No dips were given.", "Give one dip per step.");
  }
  return totals;
}

Result<Batch> make_batch(const std::vector<std::vector<FoundStep>>& impressions,
                         const std::vector<BiteTime>& times,
                         const BatchInfo& info) {
  if (impressions.empty()) {
    return refuse(ProblemKind::usage, "No wedge scan was given.", "Give at least one scan.");
  }
  auto placed = placed_steps_in_time(impressions, times);
  if (!placed) return std::unexpected(placed.error());
  std::vector<WedgeStep>* steps = &placed->steps;
  if (auto ok = check_unbitten(impressions, steps->front()); !ok) {
    return std::unexpected(ok.error());
  }
  FitOptions options;
  options.sd_degrees_of_freedom = placed->spread.degrees_of_freedom;
  options.places_mm = placed->places_mm;
  auto fitted = fit_curve(*steps, options);
  if (!fitted) return std::unexpected(fitted.error());
  Notes notes = fitted->summary.notes;
  if (auto note = spread_note(placed->seen_spread, placed->strays)) notes.push_back(std::move(*note));
  if (auto note = stride_note(*steps)) notes.push_back(std::move(*note));
  const auto unseen = std::count_if(impressions.front().begin(),
                                    impressions.front().end(),
                                    [](const FoundStep& s) { return !s.seen; });
  const bool one_was_not_bitten = !(steps->front().time.in_minutes() > 0);
  if (unseen > (one_was_not_bitten ? 1 : 0)) {
    notes.push_back(fmt::format(
        "{} of the steps print like unbitten metal, so this scan cannot tell how many of "
        "them there are: check that one time was given for each, and no more.",
        unseen));
  }
  if (one_was_not_bitten && std::fabs(steps->front().density.value()) < 0.01) {
    notes.push_back(
        "The unbitten step prints as light as what was taken for bare paper: either its metal was "
        "wiped quite clean, or the scan shows no paper and all tones are counted from the plate's own. "
        "Let the scan show 10 mm of paper all round.");
  }
  const Density solid = full_ink(impressions, fitted->curve);
  return Batch{.name = info.name,
               .mordant = info.mordant,
               .strength = info.strength,
               .metal = info.metal,
               .ground = info.ground,
               .temperature_c = info.temperature_c,
               .bitten_on = info.bitten_on,
               .impressions = static_cast<int>(impressions.size()),
               .steps = std::move(*steps),
               .curve = std::move(fitted->curve),
               .solid = solid,
               .noise_density = placed->spread.sd,
               .overlap = {},
               .scanner = {},
               .paper_reflectance = 0,
               .paper_unevenness = 0,
               .notes = std::move(notes)};
}

}  // namespace rebite::wedge

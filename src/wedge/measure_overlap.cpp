#include <fmt/format.h>

#include <algorithm>
#include <cassert>
#include <cmath>

#include "wedge/read_crossed.h"

namespace rebite::wedge {
namespace {

// A difference in chi-square that leaves no doubt which of two readings is right (19 to 1 in odds
// is 5.9).
constexpr double no_doubt = 6;

// How far the strips bitten through one ground only are from the batch's curve: the first ground's
// follow it, the second's only where q is 1.
double strangeness(const CrossedGrid& g, const ToneCurve& curve, double print_sd) {
  if (g.second.front().in_minutes() > 0) return 0;
  double chi2 = 0;
  for (std::size_t i = 0; i < g.first.size(); ++i) {
    const auto& d = g.density[i].front();
    const double sd = std::hypot(d.sd, std::hypot(print_sd, curve.sd_at(g.first[i])));
    const double off = (d.value - curve.at(g.first[i])).value() / sd;
    chi2 += off * off;
  }
  return chi2;
}

// Strips bitten through one ground only against the batch's curve at their times: mean difference, and
// that in standard deviations (a print errs as a whole, so many strips tell no more than one).
struct Aside {
  double density = 0, sds = 0;
  int strips = 0;
};
Aside aside_of(const CrossedGrid& g, const ToneCurve& curve, bool second_ground) {
  Aside a;
  const auto& times = second_ground ? g.second : g.first;
  if ((second_ground ? g.first : g.second).front().in_minutes() > 0) return a;
  for (std::size_t i = 0; i < times.size(); ++i) {
    if (!(times[i].in_minutes() > 0)) continue;
    const auto& d = second_ground ? g.density.front()[i] : g.density[i].front();
    const double off = (d.value - curve.at(times[i])).value();
    a.density += off;
    a.sds += off / std::hypot(d.sd, curve.sd_at(times[i]));
    ++a.strips;
  }
  if (a.strips == 0) return a;
  a.density /= a.strips;
  a.sds /= a.strips;
  return a;
}

Notes notes_on_lone_strips(const CrossedGrid& g, const ToneCurve& curve) {
  constexpr double no_chance = 3;
  Notes notes;
  const auto say = [](const Aside& a) {
    return fmt::format("{:.2f} D {}", std::fabs(a.density), a.density > 0 ? "darker" : "lighter");
  };
  if (const Aside a = aside_of(g, curve, false); std::fabs(a.sds) > no_chance) {
    notes.push_back(fmt::format(
        "The strips bitten through the first ground only print {} than this wedge's curve says for "
        "their times: check the times of the first ground, and that both wedges were bitten in the same "
        "bath. The overlap holds for this batch only if they were.",
        say(a)));
  }
  if (const Aside a = aside_of(g, curve, true); std::fabs(a.sds) > no_chance) {
    notes.push_back(fmt::format(
        "The strips bitten through the second ground only print {} than this wedge's curve says for "
        "their times: the times of the second ground may be wrong, or the bath another. If they are "
        "right, this ground bites {} by itself, and the overlap holds that too.",
        say(a),
        a.density > 0 ? "more" : "less"));
  }
  return notes;
}

// Mean over impressions. Each impression was wiped on its own: its cells' spread about the mean, or
// the print's usual spread where there is one only.
CrossedGrid mean_of(const std::vector<CrossedGrid>& grids, double print_sd) {
  CrossedGrid mean = grids.front();
  const auto n = static_cast<double>(grids.size());
  double between = 0, cells = 0;
  for (std::size_t i = 0; i < mean.first.size(); ++i) {
    for (std::size_t j = 0; j < mean.second.size(); ++j) {
      double sum = 0, squares = 0, errors = 0;
      for (const auto& g : grids) {
        const auto& d = g.density[i][j];
        sum += d.value.value() / n;
        errors += d.sd * d.sd / (n * n);
      }
      for (const auto& g : grids) {
        const double e = g.density[i][j].value.value() - sum;
        squares += e * e;
      }
      between += squares / std::max(1.0, n - 1);
      ++cells;
      mean.density[i][j] = {Density::of(sum), std::sqrt(errors)};
    }
  }
  const double wiping = grids.size() < 2 ? print_sd : std::sqrt(between / cells / n);
  for (auto& row : mean.density) {
    for (auto& d : row) d.sd = std::hypot(d.sd, wiping);
  }
  return mean;
}

}  // namespace

Result<MeasuredOverlap> measure_overlap(const std::vector<scan::DensityImage>& scans,
                                        const CrossedTimes& times,
                                        const ToneCurve& curve,
                                        Density solid,
                                        double print_sd,
                                        const std::optional<cv::Rect2d>& window_mm) {
  assert(!scans.empty());
  std::vector<CrossedGrid> likely, other;
  bool doubtful = false;
  for (const auto& scan : scans) {
    auto readings = read_crossed(scan, times, window_mm);
    if (!readings) return std::unexpected(readings.error());
    if (readings->size() < 2) {
      likely.push_back(readings->front().grid);
      other.push_back(readings->front().grid);
      continue;
    }
    CrossedGrid a = (*readings)[0].grid, b = (*readings)[1].grid;
    const double difference = strangeness(a, curve, print_sd) - strangeness(b, curve, print_sd);
    if (difference > 0) std::swap(a, b);
    doubtful = doubtful || std::fabs(difference) < no_doubt;
    likely.push_back(std::move(a));
    other.push_back(std::move(b));
  }
  MeasuredOverlap result;
  result.grid = mean_of(likely, print_sd);
  auto rule = fit_overlap(result.grid, curve, solid);
  if (!rule) return std::unexpected(rule.error());
  result.rule = *rule;
  if (doubtful) {
    const auto swapped = fit_overlap(mean_of(other, print_sd), curve, solid);
    if (swapped) {
      const double apart = std::fabs(swapped->q - rule->q);
      result.rule.sd = std::hypot(rule->sd, apart);
      result.notes.push_back(fmt::format(
          "The crossed wedge has as many strips of the first ground as of the second, and their "
          "tones do not tell which is which: read the other way the overlap is {:.2f}, and the "
          "spread holds both. Give the two grounds different numbers of strips.",
          swapped->q));
    }
  }
  const Notes lone = notes_on_lone_strips(result.grid, curve);
  result.notes.insert(result.notes.end(), lone.begin(), lone.end());
  result.notes.insert(
      result.notes.begin(),
      fmt::format(
          "A crossed wedge of {} by {} strips was measured ({}): a fresh ground adds by "
          "the overlap q = {:.2f} +- {:.2f}, where 1 is the assumed rule.",
          times.first.size(),
          times.second.size(),
          scans.size() == 1 ? "one impression" : fmt::format("{} impressions", scans.size()),
          result.rule.q,
          result.rule.sd));
  return result;
}

}  // namespace rebite::wedge

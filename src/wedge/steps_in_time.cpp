#include <fmt/format.h>

#include <algorithm>
#include <cassert>
#include <cmath>
#include <numeric>

#include "wedge/isotonic.h"
#include "wedge/ladder_order.h"
#include "wedge/read_wedge.h"
#include "wedge/wiping.h"

namespace rebite::wedge {
namespace {

using Order = std::vector<std::size_t>;  // the i-th time belongs to step order[i]

// Impressions' spread in one step rests on few prints: this many steps' worth of the spread of all
// steps is mixed in.
constexpr double pooled_weight = 4;

// Rows mostly run the same way. In a row of nearly equal darks wiping alone (0.03 D from step to
// step) can look like the other way: that must order the tones clearly better. Sum of squares.
constexpr double rare_way = 12 * 0.03 * 0.03;

struct Pooled {
  int row = 0;
  double density = 0, between = 0, grain_error = 0, grain_sd = 0, px = 0;
};

// Mean density over impressions (of densities: an impression's wiping multiplies its light).
std::vector<Pooled> pool(const std::vector<std::vector<FoundStep>>& impressions) {
  const std::size_t n = impressions.front().size();
  const auto m = static_cast<double>(impressions.size());
  std::vector<Pooled> out(n);
  for (std::size_t i = 0; i < n; ++i) {
    Pooled& p = out[i];
    p.row = impressions.front()[i].row;
    double errors = 0;
    for (const auto& steps : impressions) {
      p.density += steps[i].tone.density.value() / m;
      p.grain_sd += steps[i].tone.grain_sd / m;
      p.px += steps[i].tone.pixels;
      errors += steps[i].tone.sd_of_mean * steps[i].tone.sd_of_mean;
    }
    p.grain_error = std::sqrt(errors) / m;
    if (impressions.size() < 2) continue;
    double squares = 0;
    for (const auto& steps : impressions) {
      const double e = steps[i].tone.density.value() - p.density;
      squares += e * e;
    }
    p.between = std::sqrt(squares / (m - 1));
  }
  return out;
}

// Prints of one wedge may lie either way up on the scanner: each further one is taken in the order,
// or the reverse, in which its tones follow the first's.
std::vector<std::vector<FoundStep>> turned_alike(std::vector<std::vector<FoundStep>> impressions) {
  const auto& first = impressions.front();
  const auto apart = [&](const std::vector<FoundStep>& steps, bool reversed) {
    double squares = 0;
    for (std::size_t i = 0; i < steps.size(); ++i) {
      const FoundStep& s = steps[reversed ? steps.size() - 1 - i : i];
      const double d = (s.tone.density - first[i].tone.density).value();
      squares += d * d;
    }
    return squares;
  };
  for (auto& steps : impressions) {
    if (apart(steps, true) < apart(steps, false)) std::reverse(steps.begin(), steps.end());
  }
  return impressions;
}

struct WayThrough {
  Order place;
  bool turns_back = false;  // the second row runs against the first
};

// The ways in which the steps may follow each other: either direction; with two rows, either row
// first and each row either way.
std::vector<WayThrough> ways_through(const std::vector<Pooled>& steps) {
  Order rows[2];
  for (std::size_t i = 0; i < steps.size(); ++i) rows[steps[i].row > 0 ? 1 : 0].push_back(i);
  std::vector<WayThrough> ways;
  const bool two = !rows[1].empty();
  for (int way = 0; way < (two ? 8 : 2); ++way) {
    Order first = rows[0];
    Order second = rows[1];
    if (way & 1) std::reverse(first.begin(), first.end());
    if (way & 2) std::reverse(second.begin(), second.end());
    if (way & 4) std::swap(first, second);
    first.insert(first.end(), second.begin(), second.end());
    ways.push_back({first, two && ((way & 1) != 0) != ((way & 2) != 0)});
  }
  return ways;
}

Order by_time(const std::vector<BiteTime>& times) {
  Order o(times.size());
  std::iota(o.begin(), o.end(), std::size_t{0});
  std::stable_sort(o.begin(), o.end(), [&](auto a, auto b) { return times[a] < times[b]; });
  return o;
}

// Scatter about the nearest rising sequence, when read in order of time.
double disorder(const std::vector<Pooled>& steps, const Order& place, const Order& time) {
  std::vector<double> y;
  for (const std::size_t i : time) y.push_back(steps[place[i]].density);
  const std::vector<double> fit = isotonic(y);
  double sum = 0;
  for (std::size_t i = 0; i < y.size(); ++i) sum += (y[i] - fit[i]) * (y[i] - fit[i]);
  return sum;
}

double seen_spread(const std::vector<Pooled>& steps) {
  double mean_square = 0;
  for (const Pooled& p : steps) {
    mean_square += p.between * p.between / static_cast<double>(steps.size());
  }
  return std::sqrt(mean_square);
}

// Spread between impressions: a step's own, steadied by that of all, and that by what prints are
// known to do (`all`): few prints may agree by luck, and two scans of one print always do.
std::vector<double> steadied_spread(const std::vector<Pooled>& steps,
                                    const PrintSpread& all,
                                    std::size_t impressions) {
  if (impressions < 2) return std::vector<double>(steps.size(), assumed_print_spread);
  const auto own = static_cast<double>(impressions - 1);
  std::vector<double> out;
  for (const Pooled& p : steps) {
    out.push_back(std::sqrt((own * p.between * p.between + pooled_weight * all.sd * all.sd) /
                            (own + pooled_weight)));
  }
  return out;
}

}  // namespace

Result<std::vector<WedgeStep>> steps_in_time(const std::vector<std::vector<FoundStep>>& impressions,
                                             const std::vector<BiteTime>& times) {
  auto placed = placed_steps_in_time(impressions, times);
  if (!placed) return std::unexpected(placed.error());
  return std::move(placed->steps);
}

Result<PlacedSteps> placed_steps_in_time(const std::vector<std::vector<FoundStep>>& impressions,
                                         const std::vector<BiteTime>& times) {
  assert(!impressions.empty());
  for (const auto& steps : impressions) {
    if (steps.size() != times.size()) {
      return refuse(
          ProblemKind::data,
          fmt::format(
              "{} times were given, but the wedge shows {} steps.", times.size(), steps.size()),
          "Give one time per step, the unbitten step as 0.");
    }
  }
  if (times.size() < 3) {
    return refuse(ProblemKind::data,
                  fmt::format("{} times were given, a tone curve needs at least 3.", times.size()),
                  "Bite a wedge of 5 to 9 steps, one of them unbitten.");
  }
  const auto alike = turned_alike(impressions);
  const std::vector<Pooled> steps = pool(alike);
  const Order time = by_time(times);
  for (std::size_t i = 1; i < time.size(); ++i) {
    if (times[time[i]] == times[time[i - 1]]) {
      return refuse(
          ProblemKind::data,
          fmt::format("Two steps have the same total time, {}.", clock_text(times[time[i]])),
          "Give each step its own total time (--dips for successive dips).");
    }
  }
  Order best;
  double least = 0;
  for (const WayThrough& way : ways_through(steps)) {
    const double d = disorder(steps, way.place, time) + (way.turns_back ? rare_way : 0);
    if (best.empty() || d < least - 1e-12) {
      best = way.place;
      least = d;
    }
  }
  StepPlaces places;
  for (const FoundStep& s : impressions.front()) places.push_back({s.centre_mm.x, s.centre_mm.y});
  const double root = std::sqrt(static_cast<double>(impressions.size()));
  PlacedSteps out;
  out.seen_spread = seen_spread(steps);
  out.spread = print_spread_of(out.seen_spread, impressions.size(), places);
  const std::vector<double> spread = steadied_spread(steps, out.spread, impressions.size());
  for (const std::size_t i : time) {
    const std::size_t at = best[i];
    const Pooled& p = steps[at];
    WedgeStep s;
    s.time = times[i];
    s.density = Density::of(p.density);
    s.wiping_sd = spread[at] / root;
    s.sd = std::hypot(s.wiping_sd, p.grain_error);
    if (impressions.size() > 1) s.between_sd = p.between;
    s.grain_sd = p.grain_sd;
    s.px = p.px;
    const cv::Point2d& centre = impressions.front()[at].centre_mm;
    s.place = static_cast<int>(at) + 1;
    s.x_mm = centre.x;
    s.y_mm = centre.y;
    s.trimmed_mm = impressions.front()[at].trimmed_mm;
    out.steps.push_back(s);
    out.places_mm.push_back({centre.x, centre.y});
  }
  for (const auto& one : alike) {
    double squares = 0;
    for (std::size_t i = 0; i < one.size(); ++i) {
      squares += std::pow(one[i].tone.density.value() - steps[i].density, 2);
    }
    out.strays.push_back(std::sqrt(squares / static_cast<double>(one.size())));
  }
  if (auto order = check_order(out.steps); !order) return std::unexpected(order.error());
  return out;
}

}  // namespace rebite::wedge

// The overlap rule from a crossed wedge.
#include <fmt/core.h>

#include <algorithm>

#include "tests/measure/errors.h"
#include "tests/measure/wedge.h"
#include "tests/support/crossed_plate.h"
#include "tests/wedge/made_wedge.h"
#include "tests/wedge/wiped_print.h"
#include "wedge/make_batch.h"
#include "wedge/read_crossed.h"

namespace rebite::wedge::measure_parts {
namespace {

// A bath, the crossed wedge of it and the plain one that the batch's own curve comes from.
struct CrossedCase {
  maker::CrossedSpec spec;
  maker::WedgeSpec plain;
};

CrossedCase crossed_case(int seed, maker::Chance& chance) {
  CrossedCase c;
  c.spec.overlap_q = chance.uniform(0.6, 1.3);
  c.spec.curve = random_bath(chance);
  c.spec.curve.tau = std::exp(chance.uniform(std::log(3.0), std::log(8.0)));
  c.spec.first_seed = static_cast<std::uint64_t>(2 * seed);
  c.spec.second_seed = static_cast<std::uint64_t>(2 * seed + 1);
  c.plain.minutes = {0, 0.25, 0.5, 1, 2, 4, 8, 16, 30};
  c.plain.step = {11, 16};
  c.plain.curve = c.spec.curve;
  c.plain.ground_seed = static_cast<std::uint64_t>(5000 + seed);
  return c;
}

}  // namespace

void crossed(int seeds, int only, int first) {
  fmt::print(
      "| impressions | crossed wedges | read | q in its 90 % interval | rms q - truth | mean "
      "sd |\n|---|---|---|---|---|---|\n");
  for (const int impressions : {1, 3}) {
    if (only > 0 && only != impressions) continue;
    Count q;
    measure::Errors errors;
    for (int seed = first; seed < first + seeds; ++seed) {
      maker::Chance chance(static_cast<std::uint64_t>(seed) * 13 + 1);
      const auto [spec, plain] = crossed_case(seed, chance);
      std::vector<std::vector<FoundStep>> found;
      std::vector<scan::DensityImage> images;
      for (int k = 0; k < impressions; ++k) {
        const auto wedge =
            through_a_file(maker::print_wedge(plain, print_number(seed, k), a_scanner(seed, 120)));
        FindOptions options;
        options.steps = static_cast<int>(plain.minutes.size());
        options.unbitten = true;
        if (auto s = find_steps(wedge, options)) found.push_back(*s);
        images.push_back(through_a_file(
            maker::print_crossed(spec, print_number(seed, 10 + k), a_scanner(seed + 7, 120))));
      }
      if (found.empty()) continue;
      const auto batch = make_batch(found, minutes_list(plain.minutes), {});
      if (!batch) continue;
      const auto m = measure_overlap(images,
                                     {minutes_list(spec.first), minutes_list(spec.second)},
                                     batch->curve,
                                     batch->solid,
                                     batch->noise_density);
      if (!m) {
        fmt::print(stderr, "seed {}: {}\n", seed, m.error().what);
        continue;
      }
      const double off = m->rule.q - spec.overlap_q;
      errors.add(off);
      q.add(std::fabs(off) <= ToneCurve::z90 * m->rule.sd, m->rule.sd);
    }
    fmt::print("| {} | {} | {} | {:.1f} % | {:.3f} | {:.3f} |\n",
               impressions,
               seeds,
               q.all,
               q.share(),
               errors.rms(),
               q.mean_width());
    std::fflush(stdout);
  }
}

// The same without pictures: tones of the bath, wiped smoothly over either print, the full ink read
// with an error of 0.026 D.
void overlap(int seeds, int first) {
  fmt::print(
      "| impressions | crossed wedges | q in its 90 % interval | rms q - truth | mean sd "
      "|\n|---|---|---|---|---|\n");
  for (const int impressions : {1, 3}) {
    Count q;
    measure::Errors errors;
    for (int seed = first; seed < first + seeds; ++seed) {
      maker::Chance chance(static_cast<std::uint64_t>(seed) * 13 + 1);
      const auto [spec, plain] = crossed_case(seed, chance);
      std::vector<std::vector<FoundStep>> found;
      for (int k = 0; k < impressions; ++k) {
        found.push_back(wiped_steps(plain, print_number(seed, k)));
      }
      const auto batch = make_batch(found, minutes_list(plain.minutes), {});
      if (!batch) continue;
      CrossedGrid grid;
      grid.first = minutes_list(spec.first);
      grid.second = minutes_list(spec.second);
      const double print = impressions < 2 ? batch->noise_density : 0.02 / std::sqrt(impressions);
      for (std::size_t i = 0; i < spec.first.size(); ++i) {
        auto& row = grid.density.emplace_back();
        for (std::size_t j = 0; j < spec.second.size(); ++j) {
          double d = overlaid(Density::of(spec.curve.density(spec.first[i])),
                              Density::of(spec.curve.density(spec.second[j])),
                              Density::of(spec.curve.solid),
                              spec.overlap_q,
                              Density::of(spec.curve.d0))
                         .value();
          for (int k = 0; k < impressions; ++k) {
            const maker::Waves wiping(maker::mix(print_number(seed, 10 + k).seed, 0x77697065),
                                      35,
                                      150);
            d += 0.02 * wiping.unit_sd(9 * (double(i) + 0.5), 9 * (double(j) + 0.5)) / impressions;
          }
          row.push_back({Density::of(d + 0.002 * chance.normal()), std::hypot(0.002, print)});
        }
      }
      const auto rule =
          fit_overlap(grid, batch->curve, Density::of(spec.curve.solid + 0.026 * chance.normal()));
      if (!rule) continue;
      const double off = rule->q - spec.overlap_q;
      errors.add(off);
      q.add(std::fabs(off) <= ToneCurve::z90 * rule->sd, rule->sd);
    }
    fmt::print("| {} | {} | {:.1f} % | {:.3f} | {:.3f} |\n",
               impressions,
               q.all,
               q.share(),
               errors.rms(),
               q.mean_width());
    std::fflush(stdout);
  }
}

}  // namespace rebite::wedge::measure_parts

// The wedge room's figures, as markdown tables. Run by hand:
//   measure_wedge bands [seeds]            steps drawn straight from a known curve
//   measure_wedge printed [seeds [first]]  the same on wedges printed by the plate maker
//   measure_wedge found [seeds [first]]    how many wedges of every kind are read
//   measure_wedge steps [seeds]            densities of found steps, by resolution and scanner
//   measure_wedge light [seeds]            uneven light
//   measure_wedge crossed [seeds [impressions [first]]]  the overlap rule from a crossed wedge
#include <fmt/core.h>

#include <algorithm>
#include <cstdlib>
#include <string>
#include <string_view>

#include "tests/measure/errors.h"
#include "tests/support/crossed_plate.h"
#include "tests/wedge/made_wedge.h"
#include "tests/wedge/random_wedge.h"
#include "tests/wedge/step_simulator.h"
#include "wedge/make_batch.h"
#include "wedge/read_crossed.h"

namespace rebite::wedge {
namespace {

struct Count {
  int inside = 0, all = 0;
  double width = 0;
  void add(bool in, double w) {
    inside += in;
    ++all;
    width += w;
  }
  double share() const { return all ? 100.0 * inside / all : 0; }
  double mean_width() const { return all ? width / all : 0; }
};

// How often a fitted curve and its inverse hold the truth.
struct Coverage {
  Count curve, inverse;
  int refused = 0, monotone = 0;

  // `truth`: density at minutes. 20 places, evenly at random in the logarithm of time.
  template <class Truth>
  void add(const ToneCurve& c, int seed, Truth truth) {
    if (c.kind() == CurveKind::monotone) ++monotone;
    maker::Chance chance(static_cast<std::uint64_t>(seed) + 777);
    const double end = c.useful_until().in_minutes();
    for (int k = 0; k < 20; ++k) {
      const double t = 0.2 * std::pow(end / 0.2, chance.uniform());
      const double half = ToneCurve::z90 * c.sd_at(BiteTime::minutes(t));
      curve.add(std::fabs(c.at(BiteTime::minutes(t)).value() - truth(t)) <= half, 2 * half);
      const auto i = c.interval_for(Density::of(truth(t)));
      if (!i) continue;
      const double low = std::max(i->low.in_minutes(), 0.01);
      inverse.add(i->low.in_minutes() <= t && t <= i->high.in_minutes(),
                  std::log(std::max(i->high.in_minutes(), low) / low));
    }
  }
  void print(std::string_view row) const {
    fmt::print("| {} | {:.1f} % | {:.3f} | {:.1f} % | {:.2f} | {} | {} |\n",
               row,
               curve.share(),
               curve.mean_width(),
               inverse.share(),
               std::exp(inverse.mean_width()),
               monotone,
               refused);
    std::fflush(stdout);
  }
};

void coverage_head(std::string_view columns, int columns_n) {
  fmt::print(
      "| {} | curve in 90 % band | width D | time in its interval | high/low | monotone | "
      "refused |\n|",
      columns);
  for (int i = 0; i < columns_n + 6; ++i) fmt::print("---|");
  fmt::print("\n");
}

void bands(int seeds) {
  coverage_head("steps | noise", 2);
  const std::pair<SimulatedNoise, const char*> kinds[] = {
      {SimulatedNoise::known, "known"},
      {SimulatedNoise::estimated, "from the scatter"},
      {SimulatedNoise::smooth, "smooth wiping"}};
  for (const auto& [noise, word] : kinds) {
    for (const int n : {3, 4, 5, 7, 9, 15, 25}) {
      Coverage c;
      for (int seed = 1; seed <= seeds; ++seed) {
        const SimulatedWedge w = simulate_steps(static_cast<std::uint64_t>(seed), n, noise);
        const auto fitted = fit_curve(w.steps);
        if (!fitted) {
          ++c.refused;
          continue;
        }
        c.add(fitted->curve, seed, [&](double t) { return w.truth.at(t); });
      }
      c.print(fmt::format("{} | {}", n, word));
    }
  }
}

maker::TrueCurve random_bath(maker::Chance& chance) {
  maker::TrueCurve c;
  c.d0 = chance.uniform(0.02, 0.08);
  c.d1 = chance.uniform(0.95, 1.5);
  c.tau = std::exp(chance.uniform(std::log(2.0), std::log(12.0)));
  c.beta = chance.uniform(0.65, 1.25);
  c.solid = c.d1 + chance.uniform(0.03, 0.15);  // long biting comes near full ink
  return c;
}

maker::Impression print_number(int seed, int which) {
  maker::Impression sheet;
  sheet.seed = static_cast<std::uint64_t>(1000 * seed + which);
  return sheet;
}

maker::Scanner a_scanner(int seed, double dpi) {
  maker::Scanner s;
  s.seed = static_cast<std::uint64_t>(seed);
  s.channels = 1;
  s.dpi = dpi;
  s.turn_deg = (seed * 37) % 360;
  return s;
}

// From the print to the fitted curve, as the program does it.
void printed(int seeds, int first) {
  coverage_head("steps | impressions | wedges", 3);
  for (const int impressions : {1, 3}) {
    for (const int n : {5, 9, 15}) {
      Coverage c;
      for (int seed = first; seed < first + seeds; ++seed) {
        maker::Chance chance(static_cast<std::uint64_t>(seed) * 31 + 5);
        maker::WedgeSpec spec;
        spec.minutes = simulated_ladder(n, chance);
        spec.step = {n > 9 ? 9.0 : 12.0, 18};
        spec.border_mm = 5;
        spec.curve = random_bath(chance);
        spec.ground_seed = static_cast<std::uint64_t>(seed);
        std::vector<std::vector<FoundStep>> found;
        for (int k = 0; k < impressions; ++k) {
          const auto image =
              through_a_file(maker::print_wedge(spec, print_number(seed, k), a_scanner(seed, 120)));
          FindOptions options;
          options.steps = n;
          options.unbitten = true;
          const auto steps = find_steps(image, options);
          if (steps) found.push_back(*steps);
        }
        if (static_cast<int>(found.size()) < impressions) {
          ++c.refused;
          continue;
        }
        const auto batch = make_batch(found, minutes_list(spec.minutes), {});
        if (!batch) {
          ++c.refused;
          continue;
        }
        c.add(batch->curve, seed, [&](double t) { return spec.curve.density(t); });
      }
      c.print(fmt::format("{} | {} | {}", n, impressions, seeds));
    }
  }
}

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

struct StepsCase {
  std::string name;
  maker::ScannerTone tone = maker::ScannerTone::srgb;
  bool measured_curve = false;
  int bits = 16;
};

void steps(int seeds) {
  fmt::print("| scanner | dpi | wedges | read | rms D | worst D |\n|---|---|---|---|---|---|\n");
  for (const StepsCase& how :
       {StepsCase{"contrasty, measured curve", maker::ScannerTone::contrasty, true},
        StepsCase{"linear, measured curve", maker::ScannerTone::linear, true},
        StepsCase{"sRGB, 8 bits, measured curve", maker::ScannerTone::srgb, true, 8},
        StepsCase{"sRGB, read as sRGB"}}) {
    for (const double dpi : {150.0, 300.0, 600.0}) {
      const int wedges = dpi > 500 ? std::max(1, seeds / 5) : seeds;
      measure::Errors errors;
      int read = 0;
      for (int seed = 1; seed <= wedges; ++seed) {
        maker::Chance chance(static_cast<std::uint64_t>(seed) * 77 + 3);
        maker::Scanner scanner = a_scanner(seed, dpi);
        scanner.tone = how.tone;
        scanner.bits = how.bits;
        scanner.flare = how.measured_curve ? 0.004 : 0;
        std::optional<scan::ScannerCurve> curve;
        if (how.measured_curve) {
          maker::Scanner coarse = scanner;
          coarse.dpi = 120;
          const auto file = std::filesystem::temp_directory_path() /
                            fmt::format("rebite-grey-{}.tif", ::getpid());
          maker::write_scan(maker::grey_scale(camera_11, {9, 12}, coarse), file.string());
          auto measured = scan::measure_scanner(file, {camera_11, 0});
          std::filesystem::remove(file);
          if (!measured) continue;
          curve = std::move(*measured);
        }
        maker::WedgeSpec spec;
        const int n = 5 + chance.below(6);
        spec.minutes = simulated_ladder(n, chance);
        spec.rows = n % 2 == 0 && seed % 3 == 0 ? 2 : 1;
        spec.step = {11, 16};
        spec.border_mm = 5;
        spec.gap_mm = seed % 4 == 0 ? 2 : 0;
        spec.curve = random_bath(chance);
        if (seed % 5 == 0) spec.curve.d1 = 0.9;
        spec.ground_seed = static_cast<std::uint64_t>(seed);
        if (seed % 2 == 0) std::reverse(spec.minutes.begin(), spec.minutes.end());
        const auto made = maker::print_wedge(spec, print_number(seed, 0), scanner);
        const auto image = through_a_file(made, curve ? &*curve : nullptr);
        FindOptions options;
        options.steps = n;
        options.unbitten = true;
        const auto found = find_steps(image, options);
        if (!found) continue;
        const auto in_time = steps_in_time({*found}, minutes_list(spec.minutes));
        if (!in_time) continue;
        ++read;
        const auto centres = maker::wedge_step_centres(spec);
        for (std::size_t i = 0; i < centres.size(); ++i) {
          const auto s = std::find_if(in_time->begin(), in_time->end(), [&](const WedgeStep& w) {
            return w.time == BiteTime::minutes(spec.minutes[i]);
          });
          errors.add(s->density.value() - true_density(made, centres[i], spec.step));
        }
      }
      fmt::print("| {} | {:.0f} | {} | {} | {:.4f} | {:.4f} |\n",
                 how.name,
                 dpi,
                 wedges,
                 read,
                 errors.rms(),
                 errors.worst);
      std::fflush(stdout);
    }
  }
}

// How many wedges of every kind (random_wedge.h) are read: a step counts as read where it is within
// 0.03 D of what the sheet shows at its place, a wedge where all its steps are.
void found(int seeds, int first) {
  fmt::print("| wedges | read | refused | read wrong |\n|---|---|---|---|\n");
  int read = 0, refused = 0, wrong = 0;
  for (int seed = first; seed < first + seeds; ++seed) {
    const RandomWedge w = random_wedge(static_cast<std::uint64_t>(seed));
    const maker::MadeScan made = print_random(w);
    const scan::DensityImage image = through_a_file(made);
    FindOptions options;
    options.steps = static_cast<int>(w.spec.minutes.size());
    options.unbitten = std::min(w.spec.minutes.front(), w.spec.minutes.back()) <= 0;
    const auto steps = find_steps(image, options);
    const auto batch = steps ? make_batch({*steps}, minutes_list(w.spec.minutes), {})
                             : Result<Batch>(std::unexpected(steps.error()));
    if (!batch) {
      fmt::print(stderr, "seed {}: {}\n", seed, batch.error().what);
      ++refused;
      continue;
    }
    const std::vector<double> shown = shown_densities(w.spec, made);
    // Not which of two like steps it is (equal darks may change places), but every tone.
    std::vector<double> truth = shown, got;
    for (const FoundStep& s : *steps) got.push_back(s.tone.density.value());
    std::sort(truth.begin(), truth.end());
    std::sort(got.begin(), got.end());
    bool right = true;
    for (std::size_t i = 0; i < truth.size(); ++i) right &= std::fabs(truth[i] - got[i]) < 0.03;
    for (std::size_t i = 0; i < shown.size(); ++i) {
      const auto s =
          std::find_if(batch->steps.begin(), batch->steps.end(), [&](const WedgeStep& t) {
            return t.time == BiteTime::minutes(w.spec.minutes[i]);
          });
      right &= std::fabs(s->density.value() - shown[i]) < 0.06;
    }
    if (!right) fmt::print(stderr, "seed {}: wrong\n", seed);
    ++(right ? read : wrong);
  }
  fmt::print("| {} | {} | {} | {} |\n", seeds, read, refused, wrong);
}

void light(int seeds) {
  fmt::print("| light | wedges | rms D | worst D |\n|---|---|---|---|\n");
  for (const double uneven : {0.04, 0.08}) {
    measure::Errors errors;
    int wedges = 0;
    for (int seed = 1; seed <= seeds; ++seed) {
      maker::WedgeSpec spec;
      spec.minutes = {0, 0.25, 0.5, 1, 2, 4, 8, 16, 30};
      maker::Scanner scanner = a_scanner(seed, 120);
      const auto even =
          read_made(maker::print_wedge(spec, print_number(seed, 0), scanner), spec.minutes);
      scanner.uneven_light = uneven;
      const auto other =
          read_made(maker::print_wedge(spec, print_number(seed, 0), scanner), spec.minutes);
      if (!even || !other) continue;
      ++wedges;
      for (std::size_t i = 0; i < even->size(); ++i) {
        errors.add(((*other)[i].density - (*even)[i].density).value());
      }
    }
    fmt::print("| +-{:.0f} % | {} | {:.4f} | {:.4f} |\n",
               100 * uneven,
               wedges,
               errors.rms(),
               errors.worst);
    std::fflush(stdout);
  }
}

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
      maker::CrossedSpec spec;
      spec.overlap_q = chance.uniform(0.6, 1.3);
      spec.curve = random_bath(chance);
      spec.curve.tau = std::exp(chance.uniform(std::log(3.0), std::log(8.0)));
      spec.first_seed = static_cast<std::uint64_t>(2 * seed);
      spec.second_seed = static_cast<std::uint64_t>(2 * seed + 1);
      // The batch's own curve, from as many impressions of a plain wedge.
      maker::WedgeSpec plain;
      plain.minutes = {0, 0.25, 0.5, 1, 2, 4, 8, 16, 30};
      plain.step = {11, 16};
      plain.curve = spec.curve;
      plain.ground_seed = static_cast<std::uint64_t>(5000 + seed);
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

}  // namespace
}  // namespace rebite::wedge

int main(int argc, char** argv) {
  using namespace rebite::wedge;
  const std::string_view part = argc > 1 ? argv[1] : "bands";
  const int seeds = argc > 2 ? std::max(1, std::atoi(argv[2])) : 200;
  if (part == "bands") bands(seeds);
  if (part == "printed") printed(seeds, argc > 3 ? std::atoi(argv[3]) : 1);
  if (part == "steps") steps(seeds);
  if (part == "found") found(seeds, argc > 3 ? std::atoi(argv[3]) : 1);
  if (part == "light") light(seeds);
  if (part == "crossed")
    crossed(seeds, argc > 3 ? std::atoi(argv[3]) : 0, argc > 4 ? std::atoi(argv[4]) : 1);
  return 0;
}

// How many wedges of every kind are read.
#include <fmt/core.h>

#include <algorithm>

#include "tests/measure/wedge.h"
#include "tests/wedge/made_wedge.h"
#include "tests/wedge/random_wedge.h"
#include "wedge/make_batch.h"

namespace rebite::wedge::measure_parts {

// How many wedges of every kind (random_wedge.h) are read: a step counts as read where it is within
// 0.03 D of what the sheet shows at its place, a wedge where all its steps are.
void found(int seeds, int first, int only_rows) {
  fmt::print("| wedges | read | refused | read wrong |\n|---|---|---|---|\n");
  int read = 0, refused = 0, wrong = 0;
  for (int seed = first; seed < first + seeds; ++seed) {
    const RandomWedge w = random_wedge(static_cast<std::uint64_t>(seed));
    if (only_rows > 0 && w.spec.rows != only_rows) continue;
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
  fmt::print("| {} | {} | {} | {} |\n", read + refused + wrong, read, refused, wrong);
}

}  // namespace rebite::wedge::measure_parts

// Are further impressions of one state taken, and those of another state refused?
// measure_impressions [SEEDS] [FIRST]. Plates of the plate maker, 150 x 110 mm; prints of the same
// state with wiping of 0.02 to 0.05 D and a contrast of 0.88 to 1.12; against them the plate with
// one of its areas bitten for 0.5, 1 or 2 minutes more, and the painted drawing.
#include <fmt/format.h>

#include <algorithm>
#include <cstdlib>
#include <vector>

#include "tests/tone/made_pair.h"
#include "tone/impressions.h"

using namespace rebite;

namespace {

struct Lot {
  const char* name;
  bool same;
  std::vector<double> share;  // of the plate that is unlike
};

cv::Mat1f print_of(const maker::Plate& plate, std::uint64_t seed, double wiping, double gain) {
  maker::PairSpec spec;
  spec.wiping = wiping;
  spec.ink_gain = gain;
  return maker::wiping_only_pair(plate, seed, spec).drawing;
}

maker::Plate bitten_again(const maker::Scene& scene, int label, float minutes) {
  maker::Plate plate = scene.plate;
  maker::Bite bite;
  bite.ground_seed = 4711;
  bite.minutes = cv::Mat1f(scene.labels.size(), 0.F);
  bite.minutes.setTo(minutes, scene.labels == label);
  plate.bites.push_back(bite);
  return plate;
}

double unlike_share(const align::PlatePair& pair, const cv::Mat1f& other) {
  const cv::Mat1b usable(pair.proof.size(), static_cast<uchar>(255));
  const auto mean =
      tone::mean_impression(pair.proof, usable, pair.sigma_mm, pair.grid.px_per_mm, {other});
  return mean.unlike.front().share;
}

// The lightest area of 7 to 25 % of the plate: a further bite shows there.
const maker::SceneArea* to_bite_again(const maker::Scene& scene) {
  const maker::SceneArea* best = nullptr;
  for (const maker::SceneArea& a : scene.areas) {
    const double share = a.area_mm2 / (scene.plate.size.width * scene.plate.size.height);
    if (share < 0.07 || share > 0.25 || (best && a.printed >= best->printed)) continue;
    best = &a;
  }
  return best;
}

}  // namespace

int main(int argc, char** argv) {
  const int seeds = argc > 1 ? std::atoi(argv[1]) : 20;
  const int first = argc > 2 ? std::atoi(argv[2]) : 1;
  std::vector<Lot> lots = {{"same state, wiping 0.02 D", true, {}},
                           {"same state, wiping 0.035 D, contrast 0.88", true, {}},
                           {"same state, wiping 0.05 D, contrast 1.12", true, {}},
                           {"an area bitten 0.5 min more", false, {}},
                           {"an area bitten 1 min more", false, {}},
                           {"an area bitten 2 min more", false, {}},
                           {"the painted drawing", false, {}}};
  for (int i = first; i < first + seeds; ++i) {
    const auto seed = static_cast<std::uint64_t>(i);
    const maker::Scene scene = maker::make_scene(seed);
    const align::PlatePair pair = maker::made_pair(scene, seed);
    const auto add = [&](std::size_t lot, const cv::Mat1f& print) {
      lots[lot].share.push_back(unlike_share(pair, print));
    };
    add(0, print_of(scene.plate, seed + 5000, 0.02, 1));
    add(1, print_of(scene.plate, seed + 6000, 0.035, 0.88));
    add(2, print_of(scene.plate, seed + 7000, 0.05, 1.12));
    if (const maker::SceneArea* area = to_bite_again(scene)) {
      for (const auto& [lot, minutes] : {std::pair{3, 0.5F}, {4, 1.F}, {5, 2.F}}) {
        add(static_cast<std::size_t>(lot),
            print_of(bitten_again(scene, area->label, minutes), seed + 8000, 0.02, 1));
      }
    }
    add(6, pair.drawing);
    fmt::print(stderr, "seed {} done\n", seed);
  }
  fmt::print("| print, unlike over at most {:.0f} % of the plate is taken | pairs | taken | unlike "
             "share: least, median, most |\n|---|---|---|---|\n",
             100 * tone::most_unlike);
  for (Lot& lot : lots) {
    if (lot.share.empty()) continue;
    std::sort(lot.share.begin(), lot.share.end());
    const auto taken = std::count_if(
        lot.share.begin(), lot.share.end(), [](double s) { return s <= tone::most_unlike; });
    fmt::print("| {} | {} | {} | {:.1f}, {:.1f}, {:.1f} % |\n",
               lot.name,
               lot.share.size(),
               taken,
               100 * lot.share.front(),
               100 * lot.share[lot.share.size() / 2],
               100 * lot.share.back());
  }
  return 0;
}

// A PlatePair straight from the plate maker's truth, so that the tests of the tone room do not
// depend on the align room.
#pragma once

#include "align/plate_pair.h"
#include "tests/support/plate_maker.h"

namespace rebite::maker {

struct PairSpec {
  double px_per_mm = 8;
  double alignment_sd_mm = 0.05;  // smooth error of the drawing's place, one sd per axis
  double told_sigma_mm = 0.07;    // what the pair says of it
  double wiping = 0.02;           // of either impression
  double plate_tone = 0.02;       // of the drawing's impression, more than the proof's
  double ink_gain = 1.03;         // of the drawing's impression
  bool separate = false;          // a drawing of its own instead of a reworked impression
};

align::PlatePair made_pair(const Scene& scene, std::uint64_t seed, const PairSpec& spec = {});
// The same plate printed again, nothing painted.
align::PlatePair wiping_only_pair(const Plate& plate,
                                  std::uint64_t seed,
                                  const PairSpec& spec = {});
// One scan brought into the grid: area means of relative reflectance (linear scanner tone).
cv::Mat1f into_grid(const MadeScan& scan,
                    const align::PlateGrid& grid,
                    double paper,
                    std::uint64_t seed,
                    double error_sd_mm);

}  // namespace rebite::maker

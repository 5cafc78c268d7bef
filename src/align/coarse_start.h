// From two scans to one accepted guess, or none.
#pragma once

#include <optional>

#include "align/agreement_test.h"
#include "align/coarse_hypotheses.h"
#include "align/scan_levels.h"
#include "units/progress.h"

namespace rebite::align {

struct CoarseStart {
  Agreement best;  // in the proof's and the drawing's (perhaps rescaled) millimetres
  bool mirrored = false;
  MapShape shape;            // of the guess, in the drawing's own millimetres as tagged
  bool grain = false;        // it was the grain that agreed best
  bool perspective = false;  // the guess is not affine: a photograph
  bool steep = false;        // seen too far off square to be measured
  double runner_up = 0;      // share of the best guess of another turn or mirror
  int guesses = 0;
};

// Tries features and plate marks, straight and mirrored. Rescales `drawing` when the best guess
// says that its millimetres are not the proof's (outside 0.93..1.07).
// With `by_hand` (proof mm -> drawing mm, from pins) that is the only guess.
CoarseStart find_start(ScanLevels& proof,
                       ScanLevels& drawing,
                       const std::optional<cv::Matx33d>& by_hand,
                       int threads);

// Resolution of the coarse level for a pair of this size: 75 dpi for plates of 200 mm across,
// finer for small ones, so that a coarse patch stays some 40 px.
double coarse_px_per_mm(const ScanLevels& proof, const ScanLevels& drawing);
CoarseRule coarse_rule(double px_per_mm);

}  // namespace rebite::align

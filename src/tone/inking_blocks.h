// The blocks that the inking fit is made of, and its terms. Inside the tone room only.
#pragma once

#include <Eigen/Dense>
#include <opencv2/core.hpp>
#include <optional>
#include <vector>

#include "tone/cells.h"

namespace rebite::tone {

using Row = Eigen::VectorXd;
using Square = Eigen::MatrixXd;

// Means in reflectance over about 2.5 mm (more on large plates, so that there are no more than
// about 4000).
struct Block {
  int col = 0, row = 0;
  double x = 0, y = 0;   // mm
  double now = 0;        // density of the proof
  double diff = 0;       // drawing minus proof
  double noise = 0;      // its standard error from grain
  double agreement = 1;  // 0..1: shares its grain, and the difference is no steeper than wiping
  // ln of how much flatter the drawing's grain is, against its mean, than the proof's; none where
  // the two do not share a grain that can be seen.
  std::optional<double> flatter;
  int part = -1;         // most of its cells lie in
  Row basis;
};

struct BlockGrid {
  int step = 1;  // cells per block side
  int cols = 0, rows = 0;
  bool shared_grain = false;  // the two impressions' grain agrees somewhere
};

// Saturating in the dark: (10^D - 1)/10 is what a change of the ink film does, which shows in the
// solid only: R = 1 - a(1 - 10^-Ds), so dD = a 10^-Ds dDs / 10^-D (Murray-Davies).
double shadow(double now);

// Sizes of what inking and wiping do, one sd, log10 units (common practice, no source: studios give
// no figure; trade.md section 4, "wiping spread").
struct InkingPriors {
  double offset = 0.06;
  double field = 0.03;      // smooth, additive
  double gain = 0.06;       // per unit of density
  double shadow = 0.02;     // per unit of (10^D - 1)/10
  double uneven_gain = 0;   // smooth variation of the gain over the plate; 0: none
  double shortest_mm = 38;  // a rag's stroke leaves nothing shorter
};

// Terms of the fit: constant, gain, shadow, then cosine waves over the plate and a margin round it
// (so that the field may have a slope at the plate's edge), then the same waves times the tone.
struct InkingTerms {
  struct Wave {
    double kx, ky, prior_sd;
  };
  double width = 0, height = 0, mean_now = 0;
  InkingPriors priors;
  std::vector<Wave> waves;

  InkingTerms(double width_mm, double height_mm, const InkingPriors& sizes = {});
  double wavelength(Eigen::Index term) const;  // of term >= 3
  Eigen::Index first_product() const { return static_cast<Eigen::Index>(waves.size()) + 3; }
  Eigen::Index count() const {
    const auto n = static_cast<Eigen::Index>(waves.size());
    return 3 + (priors.uneven_gain > 0 ? 2 * n : n);
  }
  Row at(double x, double y, double now) const;
  Row prior_precision() const;
};

// Blocks of which two thirds lie in one part of `parts`; sets terms.mean_now.
std::vector<Block> make_blocks(const Cells& c,
                               const cv::Mat1i& parts,
                               BlockGrid& grid,
                               InkingTerms& terms);

// Wiping is gentle: over a centimetre or two it changes little (its usual spread over the shortest
// wave gives a slope of about 0.003 D per mm). A difference that climbs faster is a painted passage
// and says little of the inking: lowers `agreement`. The slope is of a plane through the blocks of
// the same part within 8 mm.
void judge_slopes(std::vector<Block>& blocks, const BlockGrid& grid, double block_mm);

// Opaque white is no inking: R' = (1 - a) R + a lifts the darks of the grain and leaves its lights,
// while a film of ink, a wash and a heavier or lighter inking multiply all of it alike. So the grain
// under white is flatter against its mean than under any of them: lowers `agreement`. Flatter than
// the plate's steepest quarter, since one scan may be softer than the other all over.
void judge_whites(std::vector<Block>& blocks);

}  // namespace rebite::tone

// Inking is not biting: what two impressions differ by when nothing was reworked.
#pragma once

#include <opencv2/core.hpp>
#include <optional>
#include <vector>

#include "tone/cells.h"
#include "tone/regions.h"

namespace rebite::tone {

struct InkingFit {
  Inking inking;
  cv::Mat1f field;     // cell grid: density to be taken off the drawing (log10 units)
  cv::Mat1f field_sd;  // cell grid: how sure, one sd; grows away from the unworked places
  bool shared_grain = false;  // the drawing is a print: paint lies over its inking
  Notes notes;
};

// Fits  D_drawing - D_proof = offset + gain terms of D_proof + a stiff smooth field  over blocks
// of about 2.5 mm (means in reflectance).
//
// Reworked blocks are outliers and may be more than half of the plate, so the fit starts at the
// likeliest offset (the densest heap of differences, weighed by a prior) and goes down a
// redescending scale from there, stiff terms first (Geman-McClure weights, graduated: M. Black, A.
// Rangarajan, IJCV 19, 1996). Blocks where both impressions show the same grain count more: paint
// covers grain.
//
// A wash over a whole area and a heavier wiping of it look alike. This is decided by stiffness and
// size: every term carries a Gaussian prior (ridge) of the size that wiping and inking have, and
// none can follow the edge of a painted area. `parts` cuts the plate along the edges of the
// difference; each part is taken in or left out as a whole, besides its single blocks, so that a
// large washed area does not lean on the field. An even difference over (nearly) the whole plate is
// therefore taken as inking, and a note says so when it is large.
InkingFit fit_inking(const Cells& cells, const cv::Mat1i& parts, int count);

// Once more when it is known what was worked on: parts that are `unworked` show the inking itself;
// `washed` ones (one even layer that lets the grain through) show it but for one number each, so
// the field is known inside them too; the others say nothing. `faint` ones look unworked but lie at
// the end of a passage, where no edge tells them from it: they teach nothing, and count as fitted
// where they agree.
enum class PartRole { unworked, faint, washed, other };
InkingFit refit_inking(const Cells& cells,
                       const cv::Mat1i& parts,
                       const std::vector<PartRole>& roles);

// Spread over a plate of what does not go with the tone, one sd: more is a painted passage. Between
// two prints that are known to be unpainted it may be more.
inline constexpr double usual_wiping = 0.05, unpainted_wiping = 0.12;

// The other explanation: nothing was painted, but the impressions were inked and wiped very
// differently (a printer's retroussage darkens the shaded parts by half and more, and not evenly).
// Wide priors, a gain that varies over the plate. Accepted only if the two sheets show the same
// fine detail all over (paint covers it), if it explains a good deal more than `usual` does, if
// what does not go with the tone stays within what a rag does, and if it explains 95 % of the
// blocks; or 80 % where no painted edge is left on the whole plate: then what is left over is
// uneven inking too, and its full spread is the noise. A reworked plate fails, since no smooth
// field can follow the edge of a painted area. `parts` cuts the plate along the edges of the
// difference (no part is left out); `left_out` as elsewhere.
std::optional<InkingFit> inking_alone(const Cells& cells,
                                      const InkingFit& usual,
                                      const cv::Mat1i& parts,
                                      const cv::Mat1b& left_out,
                                      double most_wiping = usual_wiping);

// How much of the field shows through where a print of reflectance `print` (as it was inked) shows
// `drawn`. A wash lets all of it through: 1. What is lighter than the print was made so with opaque
// white (reflectance 1), drawn = (1 - a) print + a, and a change of the print's density shows as
//   (1 - a) print / drawn = (1 - drawn) / (1 - print) * print / drawn   of it: nothing under a full
// white. Both relative to paper, above 0.
double field_through_paint(double print, double drawn);

// How far the offset as a whole may be off where little of the plate looks unworked, one sd in
// log10 units, beyond field_sd: an evenly washed area may have been taken for the unworked plate.
// From nothing where 0.35 of the plate was fitted it grows by 0.24 D for each share of the plate
// less: over 160 plates of the plate maker the mean error of a plate's areas was 0.017 D above 0.3,
// 0.02, 0.03 and 0.06 D at shares of 0.27, 0.22 and 0.1. It is no normal error: of 82 plates below
// 0.3 four were off by 0.04 to 0.11 D, the others no more than plates of which more was fitted
// (0.012 D; four of 108 between 0.3 and 0.45 by 0.05 to 0.08 D).
double offset_doubt(const Inking& inking);

// Takes the field off the drawing's reflectance (full grid), in place.
void take_inking_off(cv::Mat1f& drawing, const cv::Mat1f& cell_field, int factor);

}  // namespace rebite::tone

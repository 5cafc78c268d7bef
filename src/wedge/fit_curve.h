// Steps -> tone curve.
#pragma once

#include <limits>
#include <vector>

#include "wedge/tone_curve.h"
#include "wedge/wiping.h"

namespace rebite::wedge {

struct FitSummary {
  CurveKind kind = CurveKind::saturating;
  double chi2 = 0;  // of the saturating fit
  int degrees_of_freedom = 0;
  double lack_of_fit_p = 1;  // small: the saturating form does not fit
  Notes notes;               // steps pooled, over-bite found, latent time ...
};
struct FittedCurve {
  ToneCurve curve;
  FitSummary summary;
};

struct FitOptions {
  // On how many degrees of freedom the steps' sd rest. Infinity: known. A few: an estimate or an
  // assumption, which the scatter about the curve then corrects (both ways). Where every sd is 0
  // this is not used: the scatter tells the spread, with a print's usual 0.02 D counting as two
  // observations.
  double sd_degrees_of_freedom = std::numeric_limits<double>::infinity();
  // Where the steps lie on the print: near ones share their wiping (wiping_sd), see wiping.h.
  StepPlaces places_mm;
  // Chance at which a curve of the right form is still called unfit.
  double lack_of_fit_level = 0.01;
};

// Steps in order of time, 3 to 30 of them, times rising, densities finite.
//
// Isotonic check (ladder_order.h); then the saturating form by generalised least squares (the
// latent time only where it improves the fit at the 1 % level; beta and the tone of bare metal are
// regularised where the steps do not fix them, with a note); a lack-of-fit test (chi-square where
// the sd are known, else F); where it fails the monotone form through the isotonic means. The
// 90 % band holds the covariance of the parameters, Student's t for few degrees of freedom, and for
// the monotone form what lies open between the steps. Where steps share their wiping a scatter less
// than told does not narrow it: a smooth curve takes smooth wiping up. The curve ends at the last step or at the
// peak before over-bite; useful_until is where the gain to the end is no longer worth having.
// Refuses (data): fewer than 3 steps, times that do not rise, steps out of order beyond their
// noise, a wedge whose tone does not rise at all or whose bitten steps are all as dark as the last.
Result<FittedCurve> fit_curve(const std::vector<WedgeStep>& steps, const FitOptions& = {});

}  // namespace rebite::wedge

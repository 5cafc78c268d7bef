// Steps -> tone curve.
#pragma once

#include <vector>

#include "wedge/tone_curve.h"

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

// Steps in order of time, at least 3. Isotonic check, weighted least squares, lack-of-fit test,
// monotone fallback, bands, useful end. Refuses steps out of order beyond their noise (data).
Result<FittedCurve> fit_curve(const std::vector<WedgeStep>& steps);

}  // namespace rebite::wedge

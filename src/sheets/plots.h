// Curve pictures for `--plot`: readable in grey, axes with units. Nothing is computed here but the
// places on the paper; bands are +-1.645 of the standard error that the curve carries (90 %).
#pragma once

#include <string>

#include "scan/scanner_curve.h"
#include "wedge/tone_curve.h"

namespace rebite::sheets {

enum class PlotForm { png, svg };

// Density against minutes (square-root scale, so that the first minutes have room): curve, band,
// steps with 90 % error bars, useful end, solid. Steps past the useful end are crosses.
std::string tone_curve_plot(const wedge::Batch& batch, PlotForm form);

// Density against the scanner's code: curve, band from the residuals, patches; below it the
// residuals patch by patch.
std::string scanner_plot(const scan::ScannerCurve& curve, PlotForm form);

}  // namespace rebite::sheets

// Curve pictures for `--plot`: readable in grey, axes with units. Nothing is computed here but the
// places on the paper; bands are +-1.645 of the standard error that the curve carries (90 %).
#pragma once

#include <array>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "scan/scanner_curve.h"
#include "wedge/tone_curve.h"

namespace rebite::sheets {

enum class PlotForm { png, svg };

// The wedge as it lies on its first scan, and what was found there: a person sees at a glance
// whether every step got the right time.
struct WedgePicture {
  cv::Mat1b grey;  // wider than high
  struct Step {
    std::array<cv::Point2f, 4> corners;  // of the measured part, pixels of `grey`
    std::string time, density;
  };
  std::vector<Step> steps;
};

// Density against minutes (square-root scale, so that the first minutes have room): curve, band,
// steps with 90 % error bars, useful end, solid. Steps past the useful end are crosses. Below it,
// where it is given, the wedge itself with the time and density of each step.
std::string tone_curve_plot(const wedge::Batch& batch,
                            PlotForm form,
                            const WedgePicture* wedge = nullptr);

// Density against the scanner's code: curve, band from the residuals, patches; below it the
// residuals patch by patch. Where each channel has its own curve, three lines told apart by dashes
// and letters (R, G, B), and the band of green.
std::string scanner_plot(const scan::ScannerCurve& curve, PlotForm form);

}  // namespace rebite::sheets

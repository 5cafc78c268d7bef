// The wedge's scan made small, even and upright, for finding the steps.
#pragma once

#include <opencv2/core.hpp>
#include <optional>

#include "scan/density_image.h"

namespace rebite::wedge {

// A working picture in which the step edges run along x and y (which of the two is open).
struct WedgeFrame {
  cv::Mat1f density;  // log10 above paper, grain blurred away (sigma 0.5 mm), 0 where no scan
  // The density stretched so that a step's scatter is the same at every tone, the darks' being
  // grain (constant in arccos(sqrt(reflectance)), the angular transform of a binomial share;
  // Bartlett, Biometrics 3 (1947) 39-52) and the lights' wiping (constant in density).
  cv::Mat1f tone;
  cv::Mat1b inside;             // 255 where the scan (and window) reaches
  // The same along x and y. Of a coarse grain per so many mm as it is coarser than usual, up to 2.5:
  // blur, margins and all else in "mm" of the frame grow with it.
  double px_per_mm = 4;
  cv::Matx23d scan_from_frame;  // frame pixels to scan pixels

  cv::Point2d to_scan(double x, double y) const {
    return {scan_from_frame(0, 0) * x + scan_from_frame(0, 1) * y + scan_from_frame(0, 2),
            scan_from_frame(1, 0) * x + scan_from_frame(1, 1) * y + scan_from_frame(1, 2)};
  }
};

// Turned so that the strongest edges lie along the axes: the 4-fold mean direction of the gradient,
// sharpened by the turn at which the row and column means change most abruptly. The picture is the
// smaller, and so the calmer, the coarser the grain.
WedgeFrame upright_frame(const scan::DensityImage& scan,
                         const std::optional<cv::Rect2d>& window_mm);

}  // namespace rebite::wedge

// Pairs of scans with known truth for the tests and tables of the align room.
#pragma once

#include <cstdint>
#include <functional>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "align/align_pair.h"
#include "scan/density_image.h"
#include "tests/support/plate_maker.h"
#include "units/lengths.h"

namespace rebite::align_test {

// The scan as the scan room would hand it on, without a file: codes -> linear reflectance (tone as
// the scanner wrote it: sRGB) -> divided by the paper.
scan::DensityImage as_read(const maker::MadeScan& made, double paper, const std::string& name);

struct MadePair {
  scan::DensityImage proof, drawing;
  std::function<cv::Point2d(PlateMm)> proof_px, drawing_px;  // the truth
  // Where both sheets show the plate's grain: bitten, and on the drawing no opaque paint over it.
  // Metal that was never bitten prints without grain. Of a separate drawing: nowhere.
  std::function<bool(PlateMm)> grain_in_both;
  SizeMm plate;
};

enum class DrawingKind { reworked, opaque, separate, four_lines };

struct PairSpec {
  std::uint64_t seed = 1;
  DrawingKind kind = DrawingKind::reworked;
  SizeMm size{150, 110};
  double wander_mm = 0.4;  // of each sheet
  double proof_turn = 0.7, drawing_turn = -1.1;
  bool mirrored = false;  // the drawing's scan
  double proof_dpi = 300, drawing_dpi = 300;
  double proof_tag = -1, drawing_tag = -1;
  int bits = 16;
  double proof_crop = 0, drawing_crop = 0;
  bool plate_mark = true;
  double ink_error = 0.1;
  int etched_strokes = 0;  // of the plate, as make_scene has them
  bool contours = false;   // a separate drawing also lines in the borders of the areas
  bool bare_metal = true;  // false: what the scene leaves unbitten is bitten for a quarter minute
  double opaque_share = 0.5;  // of the plate, for DrawingKind::opaque
  bool half_flat = false;     // the left half painted over in one flat tone (DrawingKind::reworked)
  double lid = 0;  // reflectance of the scanner's lid beyond the drawing's sheet; 0: none
  // The drawing looked at again: enlarged (the resolution tag stays), and photographed at a slant
  // under light that falls off by a third from one corner to the other.
  double enlarged = 1;
  bool photograph = false;
};

// A plate of 90 x 70 mm, small enough for a fast test.
PairSpec small(std::uint64_t seed);

MadePair make_pair(const PairSpec& spec);

// Distances (mm) between the map and the truth at a grid of places over the plate, `margin` mm
// inside its edge. `at`, where given, receives the places.
std::vector<double> target_errors(const MadePair& pair,
                                  const std::function<cv::Point2d(cv::Point2d)>& drawing_from_proof,
                                  double margin = 3,
                                  int across = 25,
                                  std::vector<PlateMm>* at = nullptr);

// The same of an alignment.
std::vector<double> errors_of(const MadePair& pair, const align::Alignment& alignment);

double quantile(std::vector<double> values, double q);

}  // namespace rebite::align_test

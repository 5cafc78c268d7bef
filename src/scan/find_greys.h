// Finds the patches of a grey scale in one row on a scan, at any turn.
#pragma once

#include <array>
#include <opencv2/core.hpp>
#include <string>
#include <vector>

#include "units/problem.h"

namespace rebite::scan {

using ScanQuad = std::array<cv::Point2d, 4>;  // scan pixels, one after the other round it

struct GreyReading {
  double code = 0;     // trimmed mean of the codes over the middle of the patch, 0..1
  double scatter = 0;  // sd of those codes
  double clipped = 0;  // share of pixels at 0 or full scale
  // Codes of the card close by, on the two long sides of the row; NaN where there is none.
  double card[2] = {0, 0};
  ScanQuad corners_px;   // of the measured part
  ScanQuad card_px[2];   // where the card is looked at; may lie beyond the scan
};

struct GreyRow {
  std::vector<GreyReading> patches;  // in the order of the list
  // The card beside the row is just as light as one patch more would be: fits_with_card.
  bool card_like_a_patch = false;
};

// Fills code, scatter, clipped and card of patches whose places are known: after find_greys has
// found them on the luminance, for a channel of the same scan.
void read_greys(const cv::Mat1f& codes, std::vector<GreyReading>& patches);

// `codes` 0..1, upright. `densities` as listed: 5..40 patches lying side by side at an even pitch,
// in this order or its reverse, touching or apart, on a card of any one tone. Codes are means of codes, not of light: a patch is even, so the two differ by
// the curvature times the square of a scatter of about 1 %, below 0.0001 D. Refuses (data), `name`
// in front: no row of patches, another number of patches than listed, codes that do not fall with
// density.
Result<GreyRow> find_greys(const cv::Mat1f& codes,
                           const std::vector<double>& densities,
                           const std::string& name);

}  // namespace rebite::scan

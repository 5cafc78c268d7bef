// Everything that a sheet, picture or page can show. Sheets compute nothing: a number shown is
// already here.
#pragma once

#include <opencv2/core.hpp>
#include <optional>
#include <string>
#include <vector>

#include "plan/bite_plan.h"
#include "tone/gap_shares.h"
#include "tone/region_map.h"

namespace rebite::sheets {

enum class Units { metric, inches };

struct AlignmentContent {
  bool mirrored = false;
  double rotation_deg = 0, scale_x = 1, scale_y = 1;
  double error_median_mm = 0, error_p95_mm = 0, confidence = 0;
  bool plate_found = false;
  double stretch_x = 1, stretch_y = 1;
  Notes notes;
};

struct SheetContent {
  std::string title;    // plate's or the proof file's name
  std::string made_on;  // ISO date and time; empty: left out (byte-stable tests)
  std::string version;
  std::string proof_file, drawing_file;
  SizeMm plate;
  AlignmentContent alignment;
  tone::RegionMap map;  // labels, now, target, gap, inking in the plate grid
  plan::BitePlan plan;
  tone::GapShares gap_shares;  // of the plate by gap, before and after the plan; may be empty
  std::optional<wedge::Batch> batch;
  // Pictures in the plate frame, print view, 8-bit grey, all at picture_px_per_mm.
  double picture_px_per_mm = 0;
  cv::Mat1b proof_picture, drawing_picture, next_proof_picture;
  // next-proof.png: the size of the proof scan, grain kept.
  cv::Mat1b next_proof_scan;
  double next_proof_px_per_mm = 0;
  // The alignment's error in mm over the plate grid, NaN = unseen.
  cv::Mat1f alignment_sigma_mm;
  Units units = Units::metric;
  bool fahrenheit = false;
};

}  // namespace rebite::sheets

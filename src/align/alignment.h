// How the proof lies on the drawing, how both lie on the plate, and how sure that is.
#pragma once

#include <array>
#include <memory>
#include <opencv2/core.hpp>
#include <optional>
#include <vector>

#include "units/lengths.h"
#include "units/problem.h"

namespace rebite::align {

// Smooth map between two scans, evaluated as itself (not through a resampled grid).
class Warp {
 public:
  virtual ~Warp() = default;
  virtual cv::Point2d drawing_from_proof(cv::Point2d proof_px) const = 0;
  virtual cv::Point2d proof_from_drawing(cv::Point2d drawing_px) const = 0;
};

// The plate mark as found on one scan: corners of the plate in scan pixels, in the order top-left,
// top-right, bottom-right, bottom-left of the PRINT as it is seen upright (the proof's own frame).
struct PlateMark {
  std::array<cv::Point2d, 4> corners_px;
  bool found = false;  // false: placed by assumption (plate centred), see notes
  double corner_sd_mm = 0.2;
  SizeMm measured;       // on the paper, by the scan's resolution
  double stretch_x = 1;  // paper mm per plate mm along x, when the plate size is known
  double stretch_y = 1;

  // Plate millimetres (print view) to scan pixels and back: the projective map through the four
  // corners. Needs the plate size.
  cv::Point2d px_from_plate(PlateMm p, SizeMm plate) const;
  cv::Matx33d plate_from_px(SizeMm plate) const;  // on (x, y, 1), for whole rows of pixels
};

// held: matched here; inferred: no match but between matches (painted over); unseen: not known.
enum class TileClass : std::uint8_t { unseen = 0, inferred = 1, held = 2 };

// One tile of the proof, its place in proof pixels.
struct Tile {
  cv::Rect2d proof_px;
  TileClass kind = TileClass::unseen;
  double sigma_mm = 0;          // estimated error here, one sd
  double nearest_match_mm = 0;  // distance to the nearest accepted patch
};

// Over the plate less 3 mm along its edge.
struct ErrorMm {
  double median = 0;
  double p95 = 0;
};

struct Alignment {
  std::shared_ptr<const Warp> warp;
  bool mirrored = false;            // the drawing is the print turned over
  double rotation_deg = 0;          // drawing against proof, counter-clockwise as seen, -180..180
  double scale_x = 1, scale_y = 1;  // drawing mm per proof mm along the proof's x and y (px per px
                                    // when a scan has no resolution)
  std::optional<ErrorMm> error;     // estimated by the tool; none when there is no scale
  double agreement = 0;             // share of coarse patches that agree with one stiff map, 0..1
  double confidence = 0;            // 0..1, for the reader of JSON
  bool doubtful = false;            // usable, but look at it
  std::vector<Tile> tiles;          // row by row over the proof's plate area
  std::optional<PlateMark> plate;   // on the proof, when a plate size was given or a mark was seen
  Notes notes;
};

}  // namespace rebite::align

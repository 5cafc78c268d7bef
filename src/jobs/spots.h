// The spot densitometer.
#pragma once

#include "jobs/inputs.h"

namespace rebite::jobs {

struct SpotRequest {
  double x = 0, y = 0;
  bool in_mm = false;  // else scan pixels
  double diameter_mm = 3;
};
struct Spot {
  SpotRequest at;
  Density density = Density::of(0);  // above paper
  double sd = 0;                     // standard error of the mean, from its grain
  double tone_sd = 0;                // of the scanner's tones at this density; on top of sd
  double grain_sd = 0;               // pixel scatter, as reflectance
  double lightness = 0;              // CIE L*
  double pixels = 0;
};
struct SpotReport {
  scan::ScanInfo info;
  // Of the bare paper that the densities are counted from (scan/density_image.h); reflectance 0:
  // none was found.
  double paper_reflectance = 0, paper_residual_sd = 0, paper_unevenness = 0;
  std::vector<Spot> spots;
  Notes notes;
};
Result<SpotReport> read_spots(const std::filesystem::path& file,
                              const std::vector<SpotRequest>&,
                              const ScanChoice&,
                              const Progress& = {});
// "X,Y", "X,Y,DIAMETER"; "12mm,30mm" are millimetres, bare numbers pixels; the diameter is in mm.
Result<SpotRequest> parse_spot(std::string_view text);
std::string to_json(const SpotReport&);

}  // namespace rebite::jobs

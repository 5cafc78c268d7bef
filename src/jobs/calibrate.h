// The two calibrations: the scanner (once) and the batch (per mordant).
#pragma once

#include "jobs/inputs.h"
#include "units/parse.h"
#include "wedge/read_crossed.h"

namespace rebite::jobs {

struct ScannerRequest {
  std::filesystem::path scan;
  std::vector<double> densities;
  std::filesystem::path out;   // NAME.scanner.json
  std::filesystem::path plot;  // empty: none; .png or .svg
  double dpi = 0;
};
// Measures, writes, returns what was written.
Result<scan::ScannerCurve> calibrate_scanner(const ScannerRequest&);
// "0.05,0.22,..." or the name of a published scale of calibration/grey-scales.json.
Result<std::vector<double>> grey_scale_densities(const std::string& text);

std::vector<std::string> grey_scale_names();

struct BatchRequest {
  std::vector<std::filesystem::path> scans;  // impressions of one wedge, each print once
  std::vector<BiteTime> times;               // totals, in the order of the steps
  std::filesystem::path out;                 // NAME.batch.json; the batch's name is NAME
  std::filesystem::path plot;
  ScanChoice read;
  std::string mordant, strength, metal, ground, bitten_on;
  std::optional<Temperature> temperature;
  std::optional<cv::Rect2d> window_mm;
  // Impressions of a crossed wedge bitten in the same batch, and its totals (read_crossed.h).
  // Empty: none, the overlap of a fresh ground stays the assumed rule.
  std::vector<std::filesystem::path> crossed_scans;
  wedge::CrossedTimes crossed_times;
};
Result<wedge::Batch> calibrate_batch(const BatchRequest&, const Progress& = {});
// "X,Y,W,H" in mm.
Result<cv::Rect2d> parse_window(std::string_view text);
// Totals in the bath from successive dips; see wedge::totals_from_dips.
Result<std::vector<BiteTime>> totals_of_dips(const std::vector<BiteTime>& dips);

}  // namespace rebite::jobs

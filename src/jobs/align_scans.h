// Proof onto drawing, as an errand of its own.
#pragma once

#include "align/align_pair.h"
#include "jobs/inputs.h"

namespace rebite::jobs {

struct AlignRequest {
  std::filesystem::path proof, drawing;
  std::optional<SizeMm> plate;
  std::filesystem::path points;   // CSV with header x,y; empty: none
  std::filesystem::path pins;     // CSV with header proof_x,proof_y,drawing_x,drawing_y
  std::filesystem::path picture;  // PNG; empty: none
  ScanChoice read;
};
struct PointPair {
  cv::Point2d proof, drawing;
};
struct AlignReport {
  align::Alignment alignment;
  std::vector<PointPair> points;
  Notes notes;
};
Result<AlignReport> align_scans(const AlignRequest&, const Progress& = {});
std::string to_json(const AlignReport&);

// Lines of numbers under one header line. Refuses (data) with the line number.
Result<std::vector<std::vector<double>>> read_csv(const std::filesystem::path& file,
                                                  const std::vector<std::string>& header);
Result<std::vector<align::PinPair>> load_pins(const std::filesystem::path& file);

}  // namespace rebite::jobs

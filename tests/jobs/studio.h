// A printmaker's folder for the tests of whole errands: scans from the plate maker, the files that
// the errands write, and the truth to compare them with.
#pragma once

#include <filesystem>
#include <ostream>
#include <string>

#include "jobs/calibrate.h"
#include "jobs/plan_state.h"
#include "tests/support/plate_maker.h"

namespace rebite::jobs {

// A folder of its own, removed at the end.
class StudioFolder {
 public:
  StudioFolder();
  ~StudioFolder();
  StudioFolder(const StudioFolder&) = delete;
  StudioFolder& operator=(const StudioFolder&) = delete;
  std::filesystem::path operator/(const std::string& name) const { return path_ / name; }
  const std::filesystem::path& path() const { return path_; }
  std::size_t entries() const;

 private:
  std::filesystem::path path_;
};

struct StudioCase {
  std::string name;
  std::uint64_t seed = 1;
  plan::Ground ground = plan::Ground::fresh;
  int bits = 16;
  int channels = 1;
  maker::ScannerTone tone = maker::ScannerTone::srgb;
  double turn_deg = 0;  // of the drawing
  SizeMm plate{110, 80};
};

inline void PrintTo(const StudioCase& c, std::ostream* out) { *out << c.name; }

// Grey scale, wedge, proof and drawing of one case as files, with their truth.
struct MadeStudio {
  maker::Scene scene;
  maker::MadeScan proof, drawing;
  std::vector<double> wedge_minutes, wedge_densities;  // what each step prints on average
  std::vector<double> greys;
};
MadeStudio make_studio(const StudioCase& c, const StudioFolder& folder);

// scanner (only where the scanner is not sRGB) and wedge, then the plan.
Result<wedge::Batch> calibrate(const StudioCase& c,
                               const MadeStudio& made,
                               const StudioFolder& folder);
PlanRequest plan_request(const StudioCase& c, const StudioFolder& folder);

}  // namespace rebite::jobs

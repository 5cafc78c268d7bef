#include "tests/jobs/studio.h"

#include <gtest/gtest.h>
#include <unistd.h>

#include <atomic>

namespace rebite::jobs {
namespace {

constexpr int wedge_impressions = 3;
std::string wedge_file(int k) {
  return k == 0 ? "wedge.tif" : "wedge-" + std::to_string(k + 1) + ".tif";
}

}  // namespace
namespace fs = std::filesystem;

StudioFolder::StudioFolder() {
  static std::atomic<int> serial{0};
  path_ = fs::temp_directory_path() /
          ("rebite studio " + std::to_string(::getpid()) + "-" + std::to_string(serial++));
  fs::create_directories(path_);
}

StudioFolder::~StudioFolder() {
  std::error_code ignored;
  fs::remove_all(path_, ignored);
}

std::size_t StudioFolder::entries() const {
  return static_cast<std::size_t>(std::distance(fs::directory_iterator(path_), {}));
}

MadeStudio make_studio(const StudioCase& c, const StudioFolder& folder) {
  MadeStudio made;
  maker::Scanner scanner;
  scanner.bits = c.bits;
  scanner.channels = c.channels;
  scanner.tone = c.tone;
  scanner.flare = c.tone == maker::ScannerTone::srgb ? 0.0 : 0.004;

  made.greys = {0.07, 0.17, 0.30, 0.45, 0.62, 0.80, 1.00, 1.20, 1.42, 1.65};
  scanner.seed = c.seed * 10 + 1;
  scanner.turn_deg = 1.5;
  write_scan(maker::grey_scale(made.greys, {9, 14}, scanner), folder / "greys.tif");

  made.scene = maker::make_scene(c.seed, c.plate);
  maker::WedgeSpec wedge;
  wedge.minutes = {0, 0.25, 0.5, 1, 2, 4, 8, 16, 30};
  wedge.curve = made.scene.plate.curve;
  made.wedge_minutes = wedge.minutes;
  for (const double m : wedge.minutes) made.wedge_densities.push_back(wedge.curve.density(m));
  maker::Impression impression;
  impression.stretch_x = 0.994;
  impression.stretch_y = 0.985;
  impression.wander_mm = 0.3;
  // Three impressions of the wedge, as the README asks for: each is wiped differently.
  for (int k = 0; k < wedge_impressions; ++k) {
    impression.seed = c.seed * 10 + 5 + static_cast<std::uint64_t>(k);
    scanner.seed = impression.seed;
    scanner.turn_deg = -0.8 + 0.5 * k;
    write_scan(maker::print_wedge(wedge, impression, scanner), folder / wedge_file(k));
  }

  impression.seed = c.seed * 10 + 3;
  scanner.seed = c.seed * 10 + 3;
  scanner.turn_deg = 0.6;
  made.proof = maker::print_proof(made.scene.plate, impression, scanner);
  write_scan(made.proof, folder / "proof.tif");

  impression.seed = c.seed * 10 + 4;
  impression.stretch_x = 0.989;
  impression.stretch_y = 0.997;
  scanner.seed = c.seed * 10 + 4;
  scanner.turn_deg = c.turn_deg;
  made.drawing = maker::reworked_proof(made.scene.plate, impression, made.scene.rework, scanner);
  write_scan(made.drawing, folder / "drawing.tif");
  return made;
}

Result<wedge::Batch> calibrate(const StudioCase& c,
                               const MadeStudio& made,
                               const StudioFolder& folder) {
  BatchRequest batch;
  if (c.tone != maker::ScannerTone::srgb) {
    ScannerRequest scanner;
    scanner.scan = folder / "greys.tif";
    scanner.densities = made.greys;
    scanner.out = folder / "studio.scanner.json";
    const auto curve = calibrate_scanner(scanner);
    if (!curve) return std::unexpected(curve.error());
    batch.read.scanner = scanner.out;
  }
  for (int k = 0; k < wedge_impressions; ++k) batch.scans.push_back(folder / wedge_file(k));
  for (const double m : made.wedge_minutes) batch.times.push_back(BiteTime::minutes(m));
  batch.out = folder / "ferric.batch.json";
  batch.mordant = "ferric chloride";
  batch.metal = "copper";
  batch.temperature = Temperature::celsius(21);
  return calibrate_batch(batch);
}

PlanRequest plan_request(const StudioCase& c, const StudioFolder& folder) {
  PlanRequest request;
  request.proof = folder / "proof.tif";
  request.drawing = folder / "drawing.tif";
  request.batch = folder / "ferric.batch.json";
  request.plate = c.plate;
  if (c.tone != maker::ScannerTone::srgb) request.read.scanner = folder / "studio.scanner.json";
  request.options.ground = c.ground;
  request.out = folder / "plan";
  return request;
}

}  // namespace rebite::jobs

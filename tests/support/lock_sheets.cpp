#include "tests/support/lock_sheets.h"

#include <algorithm>
#include <cmath>
#include <stdexcept>

#include "scan/write_scan.h"
#include "tests/support/lock_in_snow.h"
#include "tests/support/sheet_render.h"
#include "tests/support/tone_layers.h"

namespace rebite::maker {
namespace {

// One desktop scanner, settings left alone between the four scans: a contrasty curve that is not
// sRGB, a little flare, light that falls off, 16 bit grey, 300 dpi.
Scanner desk_scanner(std::uint64_t seed, double turn_deg) {
  Scanner s;
  s.seed = seed;
  s.dpi = 300;
  s.bits = 16;
  s.channels = 1;
  s.tone = ScannerTone::contrasty;
  s.flare = 0.004;
  s.noise = 0.003;
  s.uneven_light = 0.012;
  s.turn_deg = turn_deg;
  return s;
}

Impression on_rag(
    std::uint64_t seed, double stretch_x, double stretch_y, double wander_mm, double wiping) {
  Impression i;
  i.seed = seed;
  i.stretch_x = stretch_x;
  i.stretch_y = stretch_y;
  i.wander_mm = wander_mm;
  i.wiping_density = wiping;
  i.margin_mm = 15;
  i.paper_reflectance = 0.79;
  i.paper_texture = 0.005;
  i.grain_ink_error = 0.08;
  return i;
}

}  // namespace

std::vector<double> sample_grey_densities() {
  return {0.09, 0.17, 0.29, 0.42, 0.57, 0.72, 0.88, 1.04, 1.20, 1.37, 1.55, 1.75};
}

std::string sample_grey_text() {
  std::string text;
  for (const double d : sample_grey_densities()) {
    const auto hundredths = std::to_string(100 + std::lround(d * 100) % 100).substr(1);
    text += (text.empty() ? "" : ",") + std::to_string(static_cast<int>(d)) + "." + hundredths;
  }
  return text;
}

std::string sample_times_text() {
  std::string text;
  for (const double t : lock_wedge().minutes) {
    const auto seconds = std::lround(t * 60);
    if (!text.empty()) text += ",";
    text += seconds == 0        ? "0"
            : seconds % 60 == 0 ? std::to_string(seconds / 60) + "min"
                                : std::to_string(seconds) + "s";
  }
  return text;
}

std::vector<std::string> sample_names(bool all) {
  std::vector<std::string> names{
      "grey-scale.tif", "wedge.tif", "proof-state-2.tif", "drawing-state-3.tif"};
  if (all) names.emplace_back("proof-state-3.tif");
  return names;
}

Plate lock_state_three() {
  const Scene scene = lock_in_snow();
  Plate plate = scene.plate;
  // Pixel by pixel in the plate's tone map: minutes where the drawing is darker, burnishing where
  // it is lighter. Tones beyond the bath get its best.
  const double px_per_mm = plate.bites[0].minutes.cols / plate.size.width;
  Plate bare = plate;
  bare.lines = cv::Mat1f();  // what is etched stays; tone is bitten round it
  const PrintedPlate now(bare, {}, nullptr, 0.04), then(bare, {}, &scene.rework, 0.04);
  Bite next;
  next.ground_seed = 1703;
  next.grain_mm = plate.bites[0].grain_mm;
  next.minutes = cv::Mat1f(plate.bites[0].minutes.size(), 0.F);
  plate.burnish = cv::Mat1f(next.minutes.size(), 1.F);
  const double most = 30;
  for (int r = 0; r < next.minutes.rows; ++r) {
    for (int c = 0; c < next.minutes.cols; ++c) {
      const auto x = static_cast<float>((c + 0.5) / px_per_mm);
      const auto y = static_cast<float>((r + 0.5) / px_per_mm);
      const double printed = -std::log10(static_cast<double>(now.mean_at(x, y, 1)));
      const double wanted = -std::log10(static_cast<double>(then.mean_at(x, y, 1)));
      if (wanted > printed + 0.01) {
        next.minutes(r, c) =
            static_cast<float>(std::min(most, fresh_minutes(plate.curve, printed, wanted)));
      } else if (wanted < printed - 0.01) {
        const double pits = plate.curve.pit_coverage_of(printed);
        const double left = plate.curve.pit_coverage_of(std::max(wanted, plate.curve.d0));
        plate.burnish(r, c) = static_cast<float>(pits > 0 ? left / pits : 1);
      }
    }
  }
  plate.bites.push_back(next);
  return plate;
}

MadeScan make_sample(const std::string& name) {
  if (name == "grey-scale.tif") {
    return grey_scale(sample_grey_densities(), {9, 18}, desk_scanner(301, 0.4));
  }
  if (name == "wedge.tif") {
    Impression sheet = on_rag(401, 1.005, 1.013, 0.2, 0.012);
    sheet.margin_mm = 12;
    return print_wedge(lock_wedge(), sheet, desk_scanner(302, -0.9));
  }
  if (name == "proof-state-2.tif") {
    return print_proof(
        lock_in_snow().plate, on_rag(402, 1.006, 1.017, 0.35, 0.018), desk_scanner(303, 0.8));
  }
  if (name == "drawing-state-3.tif") {
    const Scene scene = lock_in_snow();
    return reworked_proof(
        scene.plate, on_rag(403, 1.009, 1.022, 0.45, 0.022), scene.rework, desk_scanner(304, -1.4));
  }
  if (name == "proof-state-3.tif") {
    return print_proof(
        lock_state_three(), on_rag(404, 1.004, 1.015, 0.3, 0.016), desk_scanner(305, 0.3));
  }
  throw std::runtime_error("make_sample: no sample of that name: " + name);
}

std::string sample_bytes(const std::string& name) {
  const MadeScan made = make_sample(name);
  return scan::tiff_bytes(made.codes, made.dpi, made.dpi_y, scan::TiffPacking::deflate);
}

}  // namespace rebite::maker

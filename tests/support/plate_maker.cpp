#include "tests/support/plate_maker.h"

#include <cassert>
#include <cmath>
#include <filesystem>
#include <fstream>
#include <memory>
#include <stdexcept>

#include "scan/write_scan.h"
#include "tests/support/chance.h"
#include "tests/support/sheet_place.h"
#include "tests/support/sheet_render.h"
#include "tests/support/tone_layers.h"

namespace rebite::maker {
namespace {

constexpr double truth_px_per_mm = 4;

// Tags, and the map from plate to pixels.
void finish(MadeScan& scan, const Scanner& scanner, const SheetPlace& place) {
  const double dpi_y = scanner.dpi_y > 0 ? scanner.dpi_y : scanner.dpi;
  scan.dpi = scanner.tag_dpi >= 0 ? scanner.tag_dpi : scanner.dpi;
  scan.dpi_y = scanner.tag_dpi_y >= 0 ? scanner.tag_dpi_y
               : scanner.tag_dpi >= 0 ? scanner.tag_dpi
                                      : dpi_y;
  auto kept = std::make_shared<SheetPlace>(place);
  scan.px_from_plate = [kept](PlateMm p) { return kept->px_from_plate(p); };
}

MadeScan make(const ToneLayers& tone,
              SizeMm plate,
              const Impression& sheet,
              const Scanner& scanner,
              Edge edge) {
  const SheetPlace place(plate, sheet, scanner);
  MadeScan scan;
  scan.codes = scan_codes(sheet_reflectance(tone, plate, sheet, scanner, place, edge), scanner);
  scan.true_density = mean_density(tone, plate, truth_px_per_mm, true);
  scan.true_density_px_per_mm = truth_px_per_mm;
  finish(scan, scanner, place);
  return scan;
}

MadeScan print(const Plate& plate,
               const Impression& sheet,
               const Rework* rework,
               const Scanner& scanner) {
  const PrintedPlate tone(plate, sheet, rework, sample_mm(scanner));
  return make(tone, plate.size, sheet, scanner, sheet.plate_mark ? Edge::plate_mark : Edge::none);
}

}  // namespace

MadeScan print_proof(const Plate& plate, const Impression& sheet, const Scanner& scanner) {
  return print(plate, sheet, nullptr, scanner);
}

MadeScan reworked_proof(const Plate& plate,
                        const Impression& sheet,
                        const Rework& rework,
                        const Scanner& scanner) {
  return print(plate, sheet, &rework, scanner);
}

MadeScan separate_drawing(const Plate& frame,
                          const cv::Mat1f& density,
                          const cv::Mat1f& lines,
                          const Impression& paper,
                          const Scanner& scanner) {
  const DrawnSheet tone(frame, density, lines);
  return make(tone, frame.size, paper, scanner, paper.plate_mark ? Edge::pencil_frame : Edge::none);
}

cv::Mat1f printed_density(const Plate& plate, double px_per_mm) {
  const PrintedPlate tone(plate, {}, nullptr, 0.04);
  return mean_density(tone, plate.size, px_per_mm, false);
}

// ---- wedge ----

namespace {

int wedge_columns(const WedgeSpec& spec) {
  assert(!spec.minutes.empty() && spec.rows > 0);
  return (static_cast<int>(spec.minutes.size()) + spec.rows - 1) / spec.rows;
}

}  // namespace

std::vector<PlateMm> wedge_step_centres(const WedgeSpec& spec) {
  const int columns = wedge_columns(spec);
  std::vector<PlateMm> centres;
  for (int i = 0; i < static_cast<int>(spec.minutes.size()); ++i) {
    centres.push_back(
        {spec.border_mm + (i % columns) * (spec.step.width + spec.gap_mm) + spec.step.width / 2,
         spec.border_mm + (i / columns) * (spec.step.height + spec.gap_mm) + spec.step.height / 2});
  }
  return centres;
}

Plate wedge_plate(const WedgeSpec& spec) {
  const int columns = wedge_columns(spec);
  Plate plate;
  plate.size = {2 * spec.border_mm + columns * (spec.step.width + spec.gap_mm) - spec.gap_mm,
                2 * spec.border_mm + spec.rows * (spec.step.height + spec.gap_mm) - spec.gap_mm};
  plate.curve = spec.curve;
  constexpr double px_per_mm = 10;
  Bite bite;
  bite.ground_seed = spec.ground_seed;
  bite.grain_mm = spec.grain_mm;
  bite.minutes = cv::Mat1f::zeros(static_cast<int>(std::lround(plate.size.height * px_per_mm)),
                                  static_cast<int>(std::lround(plate.size.width * px_per_mm)));
  const auto centres = wedge_step_centres(spec);
  for (size_t i = 0; i < centres.size(); ++i) {
    const auto px = [](double mm) { return static_cast<int>(std::lround(mm * px_per_mm)); };
    const int left = px(centres[i].x - spec.step.width / 2);
    const int right = px(centres[i].x + spec.step.width / 2);
    const int top = px(centres[i].y - spec.step.height / 2);
    const int bottom = px(centres[i].y + spec.step.height / 2);
    bite.minutes(cv::Rect(left, top, right - left, bottom - top)) =
        static_cast<float>(spec.minutes[i]);
  }
  plate.bites.push_back(std::move(bite));
  return plate;
}

MadeScan print_wedge(const WedgeSpec& spec, const Impression& sheet, const Scanner& scanner) {
  return print_proof(wedge_plate(spec), sheet, scanner);
}

// ---- grey scale ----

MadeScan grey_scale(const std::vector<double>& densities,
                    SizeMm patch,
                    const Scanner& scanner,
                    double gap_mm) {
  assert(!densities.empty());
  constexpr double card = 0.05, border = 8;
  const auto n = static_cast<double>(densities.size());
  Plate frame;
  frame.size = {2 * border + n * patch.width + (n - 1) * gap_mm, 2 * border + patch.height};
  constexpr double px_per_mm = 20;
  cv::Mat1f density(static_cast<int>(std::lround(frame.size.height * px_per_mm)),
                    static_cast<int>(std::lround(frame.size.width * px_per_mm)),
                    static_cast<float>(card));
  for (size_t i = 0; i < densities.size(); ++i) {
    const double left = border + static_cast<double>(i) * (patch.width + gap_mm);
    const auto px = [](double mm) { return static_cast<int>(std::lround(mm * px_per_mm)); };
    density(cv::Rect(px(left), px(border), px(left + patch.width) - px(left), px(patch.height))) =
        static_cast<float>(densities[i]);
  }
  Impression sheet;
  sheet.paper_reflectance = 1;  // the layers say absolute reflectance here
  sheet.paper_texture = 0;
  sheet.margin_mm = 0;
  const DrawnSheet tone(frame, density, {});
  const SheetPlace place(frame.size, sheet, scanner);
  MadeScan scan;
  cv::Mat1f absolute = sheet_reflectance(tone, frame.size, sheet, scanner, place, Edge::card);
  scan.codes = scan_codes(absolute, scanner);
  scan.true_density = mean_density(tone, frame.size, truth_px_per_mm, false);
  scan.true_density_px_per_mm = truth_px_per_mm;
  finish(scan, scanner, place);
  return scan;
}

// ---- file ----

void write_scan(const MadeScan& scan, const std::string& path) {
  const std::string ending = std::filesystem::path(path).extension().string();
  std::string bytes;
  if (ending == ".tif" || ending == ".tiff") {
    bytes = scan::tiff_bytes(scan.codes, scan.dpi, scan.dpi_y > 0 ? scan.dpi_y : scan.dpi);
  } else if (ending == ".png") {
    bytes = scan::png_bytes(scan.codes, scan.dpi / 25.4);
  } else if (ending == ".jpg" || ending == ".jpeg") {
    bytes = scan::jpeg_bytes(scan.codes, 90, scan.dpi / 25.4);
  } else {
    throw std::runtime_error("write_scan: no such kind of file: " + path);
  }
  std::ofstream file(path, std::ios::binary);
  file.write(bytes.data(), static_cast<std::streamsize>(bytes.size()));
  file.close();
  if (!file) throw std::runtime_error("write_scan: cannot write " + path);
}

}  // namespace rebite::maker

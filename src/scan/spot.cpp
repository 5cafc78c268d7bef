#include "scan/spot.h"

#include <fmt/format.h>

#include <cmath>

#include "files/files.h"

namespace rebite::scan {

cv::Point2d px_from_scan_mm(const DensityImage& image, cv::Point2d mm) {
  return {mm.x * image.px_per_mm_x() - 0.5, mm.y * image.px_per_mm_y() - 0.5};
}

Result<Spot> read_spot(const DensityImage& image, cv::Point2d at_px, double diameter_mm) {
  const std::string name = files::shown(image.info.file);
  // A place in both units: it may have been given in either.
  const auto place = [&] {
    return fmt::format("{:.1f}, {:.1f} mm ({:.1f}, {:.1f} px)",
                       (at_px.x + 0.5) / image.px_per_mm_x(),
                       (at_px.y + 0.5) / image.px_per_mm_y(),
                       at_px.x,
                       at_px.y);
  };
  if (!std::isfinite(at_px.x) || !std::isfinite(at_px.y) || !(diameter_mm >= least_aperture_mm) ||
      diameter_mm > most_aperture_mm) {
    return refuse(ProblemKind::usage,
                  fmt::format("{}: an aperture of {} mm at {}, {} px cannot be read",
                              name,
                              diameter_mm,
                              at_px.x,
                              at_px.y),
                  "Apertures from 0.2 mm on; 3 mm or more evens out the grain.");
  }
  Spot spot;
  spot.centre_px = at_px;
  spot.diameter_px_x = diameter_mm * image.px_per_mm_x();
  spot.diameter_px_y = diameter_mm * image.px_per_mm_y();
  const double rx = spot.diameter_px_x / 2, ry = spot.diameter_px_y / 2;
  const int width = image.relative.cols, height = image.relative.rows;
  if (at_px.x - rx < -0.5 || at_px.y - ry < -0.5 || at_px.x + rx > width - 0.5 ||
      at_px.y + ry > height - 0.5) {
    return refuse(
        ProblemKind::usage,
        fmt::format("{}: the aperture of {} mm at {} does not lie on the scan of {:.1f} x {:.1f} mm "
                    "({} x {} px)",
                    name,
                    diameter_mm,
                    place(),
                    width / image.px_per_mm_x(),
                    height / image.px_per_mm_y(),
                    width,
                    height),
        "Choose a place inside the scan, or a smaller aperture.");
  }
  const cv::Rect box(cv::Point(static_cast<int>(std::floor(at_px.x - rx)) - 1,
                               static_cast<int>(std::floor(at_px.y - ry)) - 1),
                     cv::Point(static_cast<int>(std::ceil(at_px.x + rx)) + 2,
                               static_cast<int>(std::ceil(at_px.y + ry)) + 2));
  const cv::Rect area = box & cv::Rect(0, 0, width, height);
  cv::Mat1b whole(height > 0 ? area.height : 0, area.width, static_cast<unsigned char>(0));
  int inside = 0;
  for (int y = 0; y < area.height; ++y) {
    for (int x = 0; x < area.width; ++x) {
      const double u = (area.x + x - at_px.x) / rx, v = (area.y + y - at_px.y) / ry;
      if (u * u + v * v > 1) continue;
      whole(y, x) = 255;
      ++inside;
    }
  }
  if (inside < 12) {
    return refuse(ProblemKind::usage,
                  fmt::format("{}: an aperture of {} mm holds only {} pixels of this scan, 12 are "
                              "needed",
                              name,
                              diameter_mm,
                              inside),
                  "Choose a larger aperture, or scan at a higher resolution.");
  }
  // Blocks of about the grain's reach, but at least 4 by 4 of them in the aperture.
  const int block = std::max(1, std::min(12, static_cast<int>(std::min(rx, ry) / 2)));
  spot.tone =
      mean_tone(image.relative(area), cv::Rect(0, 0, area.width, area.height), whole, block);
  if (spot.tone.pixels < 1) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: nothing is measured at {} (outside the sheet)", name, place()),
                  "Choose a place on the sheet.");
  }
  spot.lightness = lightness(spot.tone.density);
  return spot;
}

}  // namespace rebite::scan

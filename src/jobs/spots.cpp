#include "jobs/spots.h"

#include <fmt/format.h>

#include <array>
#include <cmath>
#include <nlohmann/json.hpp>

#include "files/files.h"
#include "jobs/guard.h"
#include "scan/spot.h"
#include "units/parse.h"

namespace rebite::jobs {
namespace {

Result<Spot> measure(const scan::DensityImage& image, const SpotRequest& at) {
  const cv::Point2d place(at.x, at.y);
  const auto spot = scan::read_spot(
      image, at.in_mm ? scan::px_from_scan_mm(image, place) : place, at.diameter_mm);
  if (!spot) return std::unexpected(spot.error());
  const auto& tone = spot->tone;
  return Spot{at,
              tone.density,
              tone.sd_of_mean,
              image.doubt.sd(tone.density),
              tone.grain_sd,
              spot->lightness,
              tone.pixels};
}

}  // namespace

Result<SpotRequest> parse_spot(std::string_view text) {
  const auto bad = [&] {
    return refuse(
        ProblemKind::usage,
        fmt::format("'{}' is not a place on the scan", text),
        "Write X,Y in pixels (1200,800), in millimetres (12mm,30mm), or with the aperture's "
        "diameter in mm as the third number (1200,800,5).");
  };
  std::array<std::string_view, 3> parts{};
  std::size_t n = 0;
  for (std::string_view rest = text;;) {
    if (n == parts.size()) return bad();
    const auto comma = rest.find(',');
    parts[n++] = rest.substr(0, comma);
    if (comma == std::string_view::npos) break;
    rest.remove_prefix(comma + 1);
  }
  if (n < 2) return bad();
  const bool mm_x = parts[0].ends_with("mm"), mm_y = parts[1].ends_with("mm");
  if (mm_x != mm_y) {
    return refuse(ProblemKind::usage,
                  fmt::format("'{}' gives one number in mm and the other in pixels", text),
                  "Write both in millimetres (12mm,30mm) or both in pixels (1200,800).");
  }
  for (auto& part : parts) {
    if (part.ends_with("mm")) part.remove_suffix(2);
  }
  SpotRequest spot;
  spot.in_mm = mm_x;
  const auto x = parse_number(parts[0]), y = parse_number(parts[1]);
  if (!x || !y) return bad();
  spot.x = *x, spot.y = *y;
  if (n == 3) {
    const auto d = parse_number(parts[2]);
    if (!d) return bad();
    if (*d < scan::least_aperture_mm || *d > scan::most_aperture_mm) {
      return refuse(ProblemKind::usage,
                    fmt::format("'{}': an aperture of {:g} mm cannot be measured", text, *d),
                    fmt::format("The third number is the aperture's diameter in mm, {:g} to {:g}; 3 mm "
                                "or more evens out the grain.",
                                scan::least_aperture_mm,
                                scan::most_aperture_mm));
    }
    spot.diameter_mm = *d;
  }
  return spot;
}

Result<SpotReport> read_spots(const std::filesystem::path& file,
                              const std::vector<SpotRequest>& requests,
                              const ScanChoice& choice,
                              const Progress& progress) {
  return guarded("Reading the scan", [&]() -> Result<SpotReport> {
    const auto image = load_scan(file, choice, progress);
    if (!image) return std::unexpected(image.error());
    SpotReport report{image->info,
                      image->paper_reflectance,
                      image->paper_residual_sd,
                      image->paper_unevenness,
                      {},
                      image->notes};
    for (const auto& request : requests) {
      auto spot = measure(*image, request);
      if (!spot) return std::unexpected(spot.error());
      report.spots.push_back(*spot);
    }
    return report;
  });
}

std::string to_json(const SpotReport& report) {
  nlohmann::ordered_json out;
  out["format"] = "rebite-read";
  out["version"] = 1;
  out["file"] = files::shown(report.info.file);
  out["dpi_x"] = report.info.x ? nlohmann::ordered_json(report.info.x->dpi()) : nullptr;
  out["dpi_y"] = report.info.y ? nlohmann::ordered_json(report.info.y->dpi()) : nullptr;
  out["paper"] = nullptr;
  if (report.paper_reflectance > 0) {
    out["paper"] = {{"reflectance", report.paper_reflectance},
                    {"residual_sd", report.paper_residual_sd},
                    {"unevenness", report.paper_unevenness}};
  }
  auto& spots = out["spots"] = nlohmann::ordered_json::array();
  const auto finite = [](double v) {
    return std::isfinite(v) ? nlohmann::ordered_json(v) : nlohmann::ordered_json(nullptr);
  };
  for (const auto& s : report.spots) {
    spots.push_back({{"x", s.at.x},
                     {"y", s.at.y},
                     {"unit", s.at.in_mm ? "mm" : "px"},
                     {"diameter_mm", s.at.diameter_mm},
                     {"density", finite(s.density.value())},
                     {"density_sd", finite(s.sd)},
                     {"tone_sd", finite(s.tone_sd)},
                     {"grain_sd", finite(s.grain_sd)},
                     {"lightness", finite(s.lightness)},
                     {"px", std::llround(s.pixels)}});
  }
  out["notes"] = report.notes;
  return out.dump(2, ' ', false, nlohmann::ordered_json::error_handler_t::replace);
}

}  // namespace rebite::jobs

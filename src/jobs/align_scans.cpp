#include "jobs/align_scans.h"

#include <fmt/format.h>

#include <nlohmann/json.hpp>

#include "align/picture.h"
#include "files/files.h"
#include "jobs/guard.h"
#include "scan/write_scan.h"
#include "units/parse.h"

namespace rebite::jobs {
namespace {

std::vector<std::string> fields_of(std::string_view line) {
  std::vector<std::string> fields;
  while (true) {
    const auto comma = line.find(',');
    std::string_view field = line.substr(0, comma);
    while (!field.empty() && field.front() == ' ') field.remove_prefix(1);
    while (!field.empty() && field.back() == ' ') field.remove_suffix(1);
    fields.emplace_back(field);
    if (comma == std::string_view::npos) return fields;
    line.remove_prefix(comma + 1);
  }
}

}  // namespace

Result<std::vector<std::vector<double>>> read_csv(const std::filesystem::path& file,
                                                  const std::vector<std::string>& header) {
  const auto text = files::read_bytes(file);
  if (!text) return std::unexpected(text.error());
  const std::string form = fmt::format(
      "The first line must read {} and each further line hold {} "
      "numbers with decimal points.",
      fmt::join(header, ","),
      header.size());
  std::vector<std::vector<double>> rows;
  std::string_view rest = *text;
  if (rest.starts_with("\xef\xbb\xbf")) rest.remove_prefix(3);  // byte-order mark of spreadsheets
  for (int line_number = 1; !rest.empty(); ++line_number) {
    const auto end = rest.find('\n');
    std::string_view line = rest.substr(0, end);
    rest.remove_prefix(end == std::string_view::npos ? rest.size() : end + 1);
    if (line.ends_with('\r')) line.remove_suffix(1);
    if (line.empty()) continue;
    const auto fields = fields_of(line);
    if (line_number == 1) {
      if (fields == header) continue;
      return refuse(
          ProblemKind::data,
          fmt::format("{}: its first line is not {}", files::shown(file), fmt::join(header, ",")),
          form);
    }
    std::vector<double> row;
    for (const auto& field : fields) {
      if (const auto value = parse_number(field)) row.push_back(*value);
    }
    if (row.size() != header.size() || fields.size() != header.size()) {
      return refuse(ProblemKind::data,
                    fmt::format("{}: line {} does not hold {} numbers",
                                files::shown(file),
                                line_number,
                                header.size()),
                    form);
    }
    rows.push_back(std::move(row));
  }
  return rows;
}

Result<std::vector<align::PinPair>> load_pins(const std::filesystem::path& file) {
  std::vector<align::PinPair> pins;
  if (file.empty()) return pins;
  const auto rows = read_csv(file, {"proof_x", "proof_y", "drawing_x", "drawing_y"});
  if (!rows) return std::unexpected(rows.error());
  if (rows->size() < 4) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: holds {} pairs of points, at least 4 are needed",
                              files::shown(file),
                              rows->size()),
                  "Mark four or more places that both scans show, well apart from one another.");
  }
  for (const auto& r : *rows) pins.push_back({{r[0], r[1]}, {r[2], r[3]}});
  return pins;
}

std::string to_json(const AlignReport& report) {
  const auto& a = report.alignment;
  nlohmann::ordered_json out;
  out["format"] = "rebite-alignment";
  out["version"] = 1;
  out["mirrored"] = a.mirrored;
  out["rotation_deg"] = a.rotation_deg;
  out["scale_x"] = a.scale_x;
  out["scale_y"] = a.scale_y;
  if (a.error) {
    out["error_mm"] = {{"median", a.error->median}, {"p95", a.error->p95}};
  } else {
    out["error_mm"] = nullptr;
  }
  out["confidence"] = a.confidence;
  out["agreement"] = a.agreement;
  out["doubtful"] = a.doubtful;
  out["plate_found"] = a.plate && a.plate->found;
  if (a.plate) {
    out["stretch_x"] = a.plate->stretch_x;
    out["stretch_y"] = a.plate->stretch_y;
    auto& corners = out["plate_corners_px"] = nlohmann::ordered_json::array();
    for (const auto& c : a.plate->corners_px) corners.push_back({c.x, c.y});
  }
  auto& points = out["points"] = nlohmann::ordered_json::array();
  for (const auto& p : report.points) {
    points.push_back({{"proof_x", p.proof.x},
                      {"proof_y", p.proof.y},
                      {"drawing_x", p.drawing.x},
                      {"drawing_y", p.drawing.y}});
  }
  out["notes"] = report.notes;
  return out.dump(2, ' ', false, nlohmann::ordered_json::error_handler_t::replace);
}

Result<AlignReport> align_scans(const AlignRequest& request, const Progress& progress) {
  return guarded("Aligning the scans", [&]() -> Result<AlignReport> {
    std::vector<std::vector<double>> points;
    if (!request.points.empty()) {
      auto rows = read_csv(request.points, {"x", "y"});
      if (!rows) return std::unexpected(rows.error());
      points = std::move(*rows);
    }
    align::AlignOptions options;
    options.plate = request.plate;
    auto pins = load_pins(request.pins);
    if (!pins) return std::unexpected(pins.error());
    options.pins = std::move(*pins);

    if (!request.picture.empty()) {
      const std::vector<std::filesystem::path> inputs{request.proof,
                                                      request.drawing,
                                                      request.points,
                                                      request.pins,
                                                      request.read.scanner,
                                                      request.read.blank};
      if (auto ok = output_is_no_input(request.picture, inputs); !ok) {
        return std::unexpected(ok.error());
      }
      if (auto ok = output_can_be_written(request.picture, png_start); !ok) {
        return std::unexpected(ok.error());
      }
    }
    ScanChoice read = request.read;
    read.resolution_needed = request.plate.has_value();
    auto pair = load_pair(request.proof, request.drawing, read, progress.part(0, 0.4));
    if (!pair) return std::unexpected(pair.error());
    auto alignment = align::align_pair(pair->first, pair->second, options, progress.part(0.4, 1));
    if (!alignment) return std::unexpected(alignment.error());
    if (progress.stopped()) return stopped_by_user();

    if (!request.picture.empty()) {
      const auto picture = align::alignment_picture(pair->first, pair->second, *alignment);
      const auto written = files::write_atomically(request.picture, scan::png_bytes(picture, 0, scan::PngContent::grain));
      if (!written) return std::unexpected(written.error());
    }
    AlignReport report{std::move(*alignment), {}, {}};
    for (const auto& p : points) {
      const cv::Point2d proof(p[0], p[1]);
      report.points.push_back({proof, report.alignment.warp->drawing_from_proof(proof)});
    }
    for (const Notes& notes : {report.alignment.notes,
                               said_of("Proof", pair->first.notes),
                               said_of("Drawing", pair->second.notes)}) {
      report.notes.insert(report.notes.end(), notes.begin(), notes.end());
    }
    return report;
  });
}

}  // namespace rebite::jobs

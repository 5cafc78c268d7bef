#include "jobs/plan_inputs.h"

#include <fmt/format.h>

#include <cmath>
#include <nlohmann/json.hpp>
#include <opencv2/imgproc.hpp>

#include "files/files.h"
#include "scan/label_png.h"

namespace rebite::jobs {
namespace {
using nlohmann::json;

std::unexpected<Problem> bad_edit(std::string_view name, std::string what) {
  return refuse(
      ProblemKind::data,
      fmt::format("{}: {}", name, what),
      "An edit looks like {\"format\":\"rebite-edit\",\"version\":1,\"regions\":[{\"id\":3,"
      "\"action\":\"hold\"}]}; see rebite plan --help.");
}

Result<double> number_in(
    const json& value, double low, double high, std::string_view name, std::string_view key) {
  if (!value.is_number() || !std::isfinite(value.get<double>()) || value.get<double>() < low ||
      value.get<double>() > high) {
    return bad_edit(name, fmt::format("\"{}\" is not a number from {:g} to {:g}", key, low, high));
  }
  return value.get<double>();
}

Result<RegionEdit> one_edit(const json& entry, std::string_view name) {
  if (!entry.is_object()) return bad_edit(name, "an entry of \"regions\" is not an object");
  RegionEdit edit;
  for (const auto& [key, value] : entry.items()) {
    if (key == "id") {
      const auto id = number_in(value, 1, 65535, name, key);
      if (!id) return std::unexpected(id.error());
      if (*id != std::floor(*id)) return bad_edit(name, "\"id\" is not a whole number");
      edit.id = static_cast<int>(*id);
    } else if (key == "at_mm") {
      if (!value.is_array() || value.size() != 2) return bad_edit(name, "\"at_mm\" is not [x, y]");
      const auto x = number_in(value[0], 0, 2000, name, key);
      const auto y = number_in(value[1], 0, 2000, name, key);
      if (!x || !y) return std::unexpected((x ? y : x).error());
      edit.at = PlateMm{*x, *y};
    } else if (key == "action") {
      if (value.is_string()) edit.edit.action = plan::action_of(value.get<std::string>());
      if (!edit.edit.action) {
        return bad_edit(name,
                        "\"action\" is none of bite, burnish, scrape, hold, line, soft, beyond");
      }
    } else if (key == "density") {
      const auto d = number_in(value, 0, 4, name, key);
      if (!d) return std::unexpected(d.error());
      edit.edit.target = Density::of(*d);
    } else if (key == "minutes") {
      const auto m = number_in(value, 0, 48 * 60, name, key);
      if (!m) return std::unexpected(m.error());
      edit.edit.minutes = BiteTime::minutes(*m);
    } else {
      return bad_edit(name, fmt::format("\"{}\" is not known in an edit", key));
    }
  }
  if (edit.id == 0 && !edit.at) return bad_edit(name, "an entry has neither \"id\" nor \"at_mm\"");
  if (!edit.edit.action && !edit.edit.target && !edit.edit.minutes) {
    return bad_edit(name, "an entry changes nothing: give action, density or minutes");
  }
  return edit;
}

constexpr const char* mask_advice =
    "Give a picture of nothing but black and white, of the proof scan's size or cut to the plate: "
    "black where the plan must leave the plate alone. (Paint on a new layer over the proof scan, "
    "then hide the scan.)";

}  // namespace

Result<std::vector<RegionEdit>> edits_from_json(std::string_view text, std::string_view name) {
  const json whole = json::parse(text, nullptr, false);
  if (!whole.is_object() || whole.value("format", json()) != "rebite-edit") {
    return bad_edit(name, "is not an edit file");
  }
  if (whole.value("version", json()) != 1) return bad_edit(name, "is of another version than 1");
  if (!whole.contains("regions") || !whole["regions"].is_array()) {
    return bad_edit(name, "has no list \"regions\"");
  }
  std::vector<RegionEdit> edits;
  for (const auto& entry : whole["regions"]) {
    auto edit = one_edit(entry, name);
    if (!edit) return std::unexpected(edit.error());
    edits.push_back(*edit);
  }
  return edits;
}

std::map<int, plan::Edit> edits_for(const std::vector<RegionEdit>& edits,
                                    const cv::Mat1w& labels,
                                    const align::PlateGrid& grid,
                                    Notes& notes) {
  std::map<int, plan::Edit> found;
  double highest = 0;
  cv::minMaxLoc(labels, nullptr, &highest);
  for (const auto& e : edits) {
    int id = e.id;
    if (e.at) {
      const int col = static_cast<int>(e.at->x * grid.px_per_mm);
      const int row = static_cast<int>(e.at->y * grid.px_per_mm);
      const bool inside = col < labels.cols && row < labels.rows;
      id = inside ? labels(row, col) : 0;
      if (inside && id == 0) {
        notes.push_back(fmt::format(
            "An edit was left out: at {:g}, {:g} mm the plate is held, as the drawing shows no "
            "change there, so there is no area with an edge to stop out along. To work there, "
            "paint its shape on the drawing and plan again.",
            e.at->x,
            e.at->y));
        continue;
      }
    }
    if (id < 1 || id > highest) {
      notes.push_back(fmt::format("An edit was left out: {} is no region of this plan.",
                                  e.at ? fmt::format("the place {:g}, {:g} mm", e.at->x, e.at->y)
                                       : fmt::format("number {}", e.id)));
      continue;
    }
    plan::Edit& all = found[id];  // several entries for one region add up, the last word counts
    if ((e.edit.action && all.action && *e.edit.action != *all.action) ||
        (e.edit.target && all.target && *e.edit.target != *all.target) ||
        (e.edit.minutes && all.minutes && *e.edit.minutes != *all.minutes)) {
      notes.push_back(
          fmt::format("Two edits of region {} say different things: the later one counts.", id));
    }
    if (e.edit.action) all.action = e.edit.action;
    if (e.edit.target) all.target = e.edit.target;
    if (e.edit.minutes) all.minutes = e.edit.minutes;
  }
  return found;
}

Result<cv::Mat1b> load_mask(const std::filesystem::path& file,
                            const scan::DensityImage& proof,
                            SizeMm plate) {
  ScanChoice as_picture;
  as_picture.resolution_needed = false;
  as_picture.relative_to_paper = false;
  const auto picture = load_scan(file, as_picture);
  if (!picture) {
    Problem problem = picture.error();
    if (problem.kind == ProblemKind::data) {
      problem.next = "Save the mask as a grey PNG or TIFF of 8 bits (not 1 bit, not a palette).";
    }
    return std::unexpected(problem);
  }
  const cv::Mat1f& tone = picture->relative;
  const double plate_ratio = plate.width / plate.height;
  const double ratio = static_cast<double>(tone.cols) / tone.rows;
  if (tone.size() != proof.relative.size() && std::fabs(ratio / plate_ratio - 1) > 0.02) {
    return refuse(
        ProblemKind::data,
        fmt::format("{}: is {} x {} pixels, neither the size of the proof scan ({} x {}) nor "
                    "of the plate's proportions ({:.2f} against {:.2f})",
                    files::shown(file),
                    tone.cols,
                    tone.rows,
                    proof.relative.cols,
                    proof.relative.rows,
                    ratio,
                    plate_ratio),
        mask_advice);
  }
  return tone < 0.2;  // reflectance 0.2 is about middle grey
}

Result<cv::Mat1b> leave_mask(const std::filesystem::path& file,
                             const cv::Mat1b& dark,
                             const scan::DensityImage& proof,
                             const align::PlateMark& mark,
                             const align::PlateGrid& grid) {
  const bool on_proof = dark.size() == proof.relative.size();
  cv::Mat1b mask(grid.rows(), grid.cols(), std::uint8_t{0});
  for (int row = 0; row < mask.rows; ++row) {
    for (int col = 0; col < mask.cols; ++col) {
      const PlateMm mm{(col + 0.5) / grid.px_per_mm, (row + 0.5) / grid.px_per_mm};
      const cv::Point2d px = on_proof ? mark.px_from_plate(mm, grid.plate)
                                      : cv::Point2d(mm.x / grid.plate.width * dark.cols - 0.5,
                                                    mm.y / grid.plate.height * dark.rows - 0.5);
      const int x = std::clamp(cvRound(px.x), 0, dark.cols - 1);
      const int y = std::clamp(cvRound(px.y), 0, dark.rows - 1);
      mask(row, col) = dark(y, x);
    }
  }
  // A hand paints a few places; a print's own darks and specks of grain are many.
  constexpr int most_places = 200;
  cv::Mat1i places;
  if (cv::connectedComponents(mask, places) > most_places) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: is dark in more than {} places, as a print is, not a mask",
                              files::shown(file),
                              most_places),
                  mask_advice);
  }
  return mask;
}

cv::Mat1w labels_before(const std::filesystem::path& folder, const align::PlateGrid& grid) {
  const auto bytes = files::read_bytes(folder / "regions.png");
  if (!bytes) return {};
  cv::Mat1w labels = scan::labels_from_png(*bytes);
  if (labels.cols != grid.cols() || labels.rows != grid.rows()) return {};
  return labels;
}

}  // namespace rebite::jobs

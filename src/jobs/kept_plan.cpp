#include "jobs/kept_plan.h"

#include <fmt/format.h>

#include <algorithm>
#include <array>
#include <cmath>
#include <cstring>
#include <limits>
#include <nlohmann/json.hpp>

#include "files/files.h"
#include "files/put_whole.h"
#include "jobs/guard.h"
#include "jobs/pictures.h"

namespace rebite::jobs {
namespace fs = std::filesystem;
namespace {
using Json = nlohmann::ordered_json;

constexpr int kept_version = 1;
// Tones are kept as whole ten-thousandths of a density: a fiftieth of what a scan is sure of.
constexpr float tone_unit = 1e-4F;
constexpr std::int16_t no_tone = std::numeric_limits<std::int16_t>::min();
constexpr std::size_t most_bytes = std::size_t{1} << 30;

// ---- pictures and maps: rows, columns, bytes per value, then the values ----

std::string packed(const cv::Mat& m) {
  const std::array<std::int32_t, 3> head{m.rows, m.cols, static_cast<std::int32_t>(m.elemSize())};
  std::string out(sizeof head, '\0');
  std::memcpy(out.data(), head.data(), sizeof head);
  for (int y = 0; y < m.rows; ++y) {
    out.append(m.ptr<char>(y), static_cast<std::size_t>(m.cols) * m.elemSize());
  }
  return out;
}

template <class T>
Result<cv::Mat_<T>> unpacked(const fs::path& file) {
  const auto bytes = files::read_bytes(file, most_bytes);
  if (!bytes) return std::unexpected(bytes.error());
  std::array<std::int32_t, 3> head{};
  if (bytes->size() >= sizeof head) std::memcpy(head.data(), bytes->data(), sizeof head);
  const std::size_t values = bytes->size() >= sizeof head ? bytes->size() - sizeof head : 0;
  if (head[0] < 0 || head[1] < 0 || head[2] != static_cast<std::int32_t>(sizeof(T)) ||
      static_cast<std::size_t>(head[0]) * static_cast<std::size_t>(head[1]) * sizeof(T) != values) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: is damaged", files::shown(file)),
                  "Plan the state again from its scans.");
  }
  cv::Mat_<T> out(head[0], head[1]);
  if (values > 0) std::memcpy(out.data, bytes->data() + sizeof head, values);
  return out;
}

cv::Mat_<std::int16_t> as_units(const cv::Mat1f& tones) {
  cv::Mat_<std::int16_t> out(tones.size());
  for (int y = 0; y < tones.rows; ++y) {
    for (int x = 0; x < tones.cols; ++x) {
      const float d = tones(y, x);
      out(y, x) = std::isfinite(d)
                      ? static_cast<std::int16_t>(std::lround(std::clamp(d, -3.F, 3.F) / tone_unit))
                      : no_tone;
    }
  }
  return out;
}

cv::Mat1f as_tones(const cv::Mat_<std::int16_t>& units) {
  cv::Mat1f out(units.size());
  for (int y = 0; y < units.rows; ++y) {
    for (int x = 0; x < units.cols; ++x) {
      out(y, x) = units(y, x) == no_tone ? std::numeric_limits<float>::quiet_NaN()
                                         : static_cast<float>(units(y, x)) * tone_unit;
    }
  }
  return out;
}

// ---- the plain data ----

Json json_of(const DensityEstimate& e) { return {e.value.value(), e.sd}; }
DensityEstimate estimate(const Json& j) {
  return {Density::of(j.at(0).get<double>()), j.at(1).get<double>()};
}

Json json_of(const tone::Region& r) {
  Json j{{"id", r.id},
         {"kind", static_cast<int>(r.kind)},
         {"area", r.area_mm2},
         {"width", r.width_mm},
         {"mean_distance", r.mean_distance_mm},
         {"centre", {r.centre.x, r.centre.y}},
         {"now", json_of(r.now)},
         {"target", json_of(r.target)},
         {"gap", r.gap.value()},
         {"gap_sd", r.gap_sd},
         {"offset_sd", r.offset_sd},
         {"unseen", r.unseen_share},
         {"neighbours", r.neighbours},
         {"notes", r.notes}};
  if (r.run) j["run"] = {r.run->light.value(), r.run->dark.value(), r.run->now_at_dark.value()};
  return j;
}
tone::Region region(const Json& j) {
  tone::Region r;
  r.id = j.at("id");
  const int kind = j.at("kind");
  r.kind = static_cast<tone::RegionKind>(std::clamp(kind, 0, 3));
  r.area_mm2 = j.at("area");
  r.width_mm = j.at("width");
  // Plans kept before November 29, 2026 have neither this nor offset_sd.
  r.mean_distance_mm = j.value("mean_distance", 0.0);
  r.centre = {j.at("centre").at(0), j.at("centre").at(1)};
  r.now = estimate(j.at("now"));
  r.target = estimate(j.at("target"));
  r.gap = ToneGap::of(j.at("gap"));
  r.gap_sd = j.at("gap_sd");
  r.offset_sd = j.value("offset_sd", 0.0);
  if (j.contains("run")) {
    const Json& run = j.at("run");
    r.run = {Density::of(run.at(0)), Density::of(run.at(1)), Density::of(run.at(2))};
  }
  r.unseen_share = j.at("unseen");
  r.neighbours = j.at("neighbours").get<std::vector<int>>();
  r.notes = j.at("notes").get<Notes>();
  return r;
}

Json json_of(const plan::PlanOptions& o) {
  Json j{{"kept", o.ground == plan::Ground::kept},
         {"risk", o.risk},
         {"shortest_s", o.shortest.in_seconds()},
         {"speed", o.speed},
         {"speed_sd", o.speed_sd},
         {"overlap_share", o.overlap_share},
         {"days", o.days_since_wedge},
         {"plates", o.plates_since_wedge},
         {"area", o.plate_area_mm2}};
  if (o.temperature) j["celsius"] = o.temperature->in_celsius();
  if (o.stages) j["stages"] = *o.stages;
  return j;
}
plan::PlanOptions options(const Json& j) {
  plan::PlanOptions o;
  o.ground = j.at("kept") ? plan::Ground::kept : plan::Ground::fresh;
  o.risk = j.at("risk");
  o.shortest = BiteTime::seconds(j.at("shortest_s"));
  o.speed = j.at("speed");
  o.speed_sd = j.at("speed_sd");
  o.overlap_share = j.value("overlap_share", 1.0);
  o.days_since_wedge = j.at("days");
  o.plates_since_wedge = j.at("plates");
  o.plate_area_mm2 = j.at("area");
  if (j.contains("celsius")) o.temperature = Temperature::celsius(j.at("celsius"));
  if (j.contains("stages")) o.stages = j.at("stages").get<int>();
  return o;
}

Json json_of(const sheets::AlignmentContent& a) {
  return {{"mirrored", a.mirrored},
          {"rotation", a.rotation_deg},
          {"scale", {a.scale_x, a.scale_y}},
          {"error", {a.error_median_mm, a.error_p95_mm}},
          {"confidence", a.confidence},
          {"plate_found", a.plate_found},
          {"stretch", {a.stretch_x, a.stretch_y}},
          {"notes", a.notes}};
}
sheets::AlignmentContent alignment(const Json& j) {
  sheets::AlignmentContent a;
  a.mirrored = j.at("mirrored");
  a.rotation_deg = j.at("rotation");
  a.scale_x = j.at("scale").at(0), a.scale_y = j.at("scale").at(1);
  a.error_median_mm = j.at("error").at(0), a.error_p95_mm = j.at("error").at(1);
  a.confidence = j.at("confidence");
  a.plate_found = j.at("plate_found");
  a.stretch_x = j.at("stretch").at(0), a.stretch_y = j.at("stretch").at(1);
  a.notes = j.at("notes").get<Notes>();
  return a;
}

Json json_of(const align::PlateMark& m) {
  Json corners = Json::array();
  for (const auto& c : m.corners_px) corners.push_back({c.x, c.y});
  return {{"corners", corners}, {"found", m.found}};
}
align::PlateMark plate_mark(const Json& j) {
  align::PlateMark m;
  for (std::size_t k = 0; k < 4; ++k) {
    const Json& c = j.at("corners").at(k);
    m.corners_px[k] = {c.at(0).get<double>(), c.at(1).get<double>()};
  }
  m.found = j.at("found");
  return m;
}

Json json_of(const std::vector<TileLevel>& levels) {
  Json out = Json::array();
  for (const auto& l : levels) out.push_back({l.px_per_mm, l.width, l.height, l.tile});
  return out;
}
std::vector<TileLevel> tile_levels_of(const Json& j) {
  std::vector<TileLevel> out;
  for (const auto& l : j) out.push_back({l.at(0), l.at(1), l.at(2), l.at(3)});
  return out;
}

Json plain_data(const PlanRequest& request,
                const PlanSources& sources,
                const sheets::SheetContent& c,
                const std::vector<TileLevel>& levels,
                const std::string& batch) {
  Json regions = Json::array();
  for (const auto& r : c.map.regions) regions.push_back(json_of(r));
  const auto& inking = c.map.inking;
  return {
      {"format", "rebite-kept"},
      {"version", kept_version},
      {"title", c.title},
      {"made_on", c.made_on},
      {"made_by", c.version},
      {"proof_file", c.proof_file},
      {"drawing_file", c.drawing_file},
      {"plate", {c.plate.width, c.plate.height}},
      {"px_per_mm", c.map.grid.px_per_mm},
      {"picture_px_per_mm", c.picture_px_per_mm},
      {"next_proof_px_per_mm", c.next_proof_px_per_mm},
      {"inches", c.units == sheets::Units::inches},
      {"fahrenheit", c.fahrenheit},
      {"regions", regions},
      {"inking", {inking.offset_density, inking.gain, inking.noise_density, inking.fitted_share}},
      {"map_notes", c.map.notes},
      {"plan_notes", c.plan.notes},
      {"alignment", json_of(c.alignment)},
      {"options", json_of(sources.options)},
      {"mark", json_of(*sources.alignment.plate)},
      {"levels", json_of(levels)},
      {"proof", fs::absolute(request.proof).string()},
      {"scanner", request.read.scanner.empty() ? "" : fs::absolute(request.read.scanner).string()},
      {"blank", request.read.blank.empty() ? "" : fs::absolute(request.read.blank).string()},
      {"dpi", request.read.dpi},
      {"brush_mm", request.brush_mm},
      {"batch", batch}};
}

Result<void> write_pictures(const fs::path& folder,
                            const PlanSources& sources,
                            const sheets::SheetContent& content,
                            const std::vector<TileLevel>& levels,
                            const Progress& progress) {
  const auto& a = sources.alignment;
  const PlateToScan on_proof = [&](PlateMm mm) {
    return a.plate->px_from_plate(mm, content.plate);
  };
  const PlateToScan on_drawing = [&](PlateMm mm) {
    return a.warp->drawing_from_proof(on_proof(mm));
  };
  auto ok = write_pyramid(
      sources.proof.relative, on_proof, levels, folder / "proof", progress.part(0, 0.5));
  if (!ok) return ok;
  return write_pyramid(
      sources.drawing.relative, on_drawing, levels, folder / "drawing", progress.part(0.5, 1));
}

Result<KeptPlan> from_json(const fs::path& folder, const Json& j) {
  KeptPlan kept;
  kept.folder = folder;
  auto& c = kept.content;
  c.title = j.at("title"), c.made_on = j.at("made_on"), c.version = j.at("made_by");
  c.proof_file = j.at("proof_file"), c.drawing_file = j.at("drawing_file");
  c.plate = {j.at("plate").at(0), j.at("plate").at(1)};
  c.map.grid = {c.plate, j.at("px_per_mm")};
  c.picture_px_per_mm = j.at("picture_px_per_mm");
  c.next_proof_px_per_mm = j.at("next_proof_px_per_mm");
  c.units = j.at("inches") ? sheets::Units::inches : sheets::Units::metric;
  c.fahrenheit = j.at("fahrenheit");
  for (const auto& r : j.at("regions")) c.map.regions.push_back(region(r));
  const auto& i = j.at("inking");
  c.map.inking = {i.at(0), i.at(1), i.at(2), i.at(3)};
  c.map.notes = j.at("map_notes").get<Notes>();
  c.alignment = alignment(j.at("alignment"));
  kept.options = options(j.at("options"));
  kept.mark = plate_mark(j.at("mark"));
  kept.levels = tile_levels_of(j.at("levels"));
  kept.proof = j.at("proof").get<std::string>();
  kept.read.scanner = j.at("scanner").get<std::string>();
  kept.read.blank = j.value("blank", std::string());
  kept.read.dpi = j.at("dpi");
  kept.brush_mm = j.at("brush_mm");
  if (const std::string text = j.at("batch"); !text.empty()) {
    auto batch = wedge::batch_from_json(text, c.title);
    if (!batch) return std::unexpected(batch.error());
    c.batch = std::move(*batch);
  }
  auto plan = plan::plan_bites(c.map.regions, c.batch ? &*c.batch : nullptr, kept.options);
  if (!plan) return std::unexpected(plan.error());
  c.plan = std::move(*plan);
  for (const auto& note : j.at("plan_notes").get<Notes>()) {
    if (std::find(c.plan.notes.begin(), c.plan.notes.end(), note) == c.plan.notes.end()) {
      kept.context_notes.push_back(note);
    }
  }
  c.plan.notes.insert(c.plan.notes.end(), kept.context_notes.begin(), kept.context_notes.end());
  return kept;
}

}  // namespace

Result<void> keep_plan(const fs::path& folder,
                       const PlanRequest& request,
                       const PlanSources& sources,
                       const sheets::SheetContent& content,
                       const Progress& progress) {
  return guarded("Keeping the plan", [&]() -> Result<void> {
    std::string batch;
    if (!request.batch.empty()) {
      auto text = files::read_bytes(request.batch, most_json_bytes);
      if (!text) return std::unexpected(text.error());
      batch = std::move(*text);
    }
    if (auto ok = files::make_folders(folder); !ok) return ok;
    const double finest = std::min({sources.proof.px_per_mm_x(),
                                    sources.proof.px_per_mm_y(),
                                    sources.drawing.px_per_mm_x(),
                                    sources.drawing.px_per_mm_y()});
    const auto levels = tile_levels(content.plate, finest);
    if (auto ok = write_pictures(folder, sources, content, levels, progress); !ok) return ok;
    // The plain data last: without it the folder counts as empty.
    const std::pair<const char*, std::string> parts[] = {
        {"labels", packed(content.map.labels)},
        {"now", packed(as_units(content.map.now))},
        {"target", packed(as_units(content.map.target))},
        {"sigma", packed(content.alignment_sigma_mm)},
        {"proof-picture", packed(content.proof_picture)},
        {"drawing-picture", packed(content.drawing_picture)},
        {"kept.json", plain_data(request, sources, content, levels, batch).dump()}};
    for (const auto& [name, bytes] : parts) {
      if (auto ok = files::write_unpublished(folder / name, bytes); !ok) return ok;
    }
    return {};
  });
}

Result<KeptPlan> kept_plan(const fs::path& folder) {
  return guarded("Reading the kept plan", [&]() -> Result<KeptPlan> {
    const auto text = files::read_bytes(folder / "kept.json");
    if (!text) return std::unexpected(text.error());
    const Json j = Json::parse(*text, nullptr, false);
    const auto damaged = [&] {
      return refuse(ProblemKind::data,
                    fmt::format("{}: is damaged or of another version", files::shown(folder)),
                    "Plan the state again from its scans.");
    };
    if (!j.is_object() || j.value("version", 0) != kept_version) return damaged();
    std::optional<KeptPlan> kept;
    try {
      auto read = from_json(folder, j);
      if (!read) return std::unexpected(read.error());
      kept = std::move(*read);
    } catch (const Json::exception&) {
      return damaged();
    }
    auto& c = kept->content;
    auto labels = unpacked<std::uint16_t>(folder / "labels");
    auto now = unpacked<std::int16_t>(folder / "now");
    auto target = unpacked<std::int16_t>(folder / "target");
    auto sigma = unpacked<float>(folder / "sigma");
    auto proof = unpacked<std::uint8_t>(folder / "proof-picture");
    auto drawing = unpacked<std::uint8_t>(folder / "drawing-picture");
    if (!labels || !now || !target || !sigma || !proof || !drawing) return damaged();
    const cv::Size size(c.map.grid.cols(), c.map.grid.rows());
    if (labels->size() != size || now->size() != size || target->size() != size) return damaged();
    c.map.labels = *labels;
    c.map.now = as_tones(*now);
    c.map.target = as_tones(*target);
    c.map.gap = c.map.target - c.map.now;
    c.alignment_sigma_mm = *sigma;
    c.proof_picture = *proof;
    c.drawing_picture = *drawing;
    const NextTone next(c.plan, c.map);
    c.next_proof_picture =
        as_grey(next_proof_in_plate(relative_of_grey(c.proof_picture), size, next));
    c.gap_shares = gap_shares_of(c.map, c.plan);
    return std::move(*kept);
  });
}

}  // namespace rebite::jobs

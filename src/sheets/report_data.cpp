#include "sheets/report_data.h"

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "sheets/report_figures.h"
#include "sheets/report_pieces.h"
#include "sheets/report_plots.h"
#include "sheets/report_text.h"

namespace rebite::sheets {
namespace {

using Json = nlohmann::ordered_json;

constexpr double tone_from = -0.2, tone_step = 0.01;  // the second decimal, as shown

std::string tone_bytes(const cv::Mat1f& density, int every) {
  std::string out;
  for (int y = every / 2; y < density.rows; y += every) {
    for (int x = every / 2; x < density.cols; x += every) {
      const auto d = static_cast<double>(density(y, x));
      const double k = std::round((d - tone_from) / tone_step);
      out += static_cast<char>(
          std::isfinite(d) ? static_cast<unsigned char>(std::clamp(k, 0.0, 254.0)) : 255);
    }
  }
  return base64(out);
}

// The finest of the maps that keeps the tone bytes small: about 1 mm, never coarser than that by
// more than the whole number of cells allows.
Json tone_json(const tone::RegionMap& map) {
  const int every = std::max(1, static_cast<int>(std::floor(map.grid.px_per_mm)));
  const int first = every / 2;  // the cell in the middle of each step
  const auto cells = [&](int n) {
    return n <= first ? 0 : (n - first + every - 1) / every;
  };
  return {{"cols", cells(map.now.cols)},
          {"rows", cells(map.now.rows)},
          {"first_mm", (first + 0.5) / map.grid.px_per_mm},
          {"step_mm", every / map.grid.px_per_mm},
          {"from", tone_from},
          {"step", tone_step},
          {"now", tone_bytes(map.now, every)},
          {"target", tone_bytes(map.target, every)}};
}

void leb128(std::string& out, unsigned v) {
  while (v >= 128) {
    out += static_cast<char>(v % 128 + 128);
    v /= 128;
  }
  out += static_cast<char>(v);
}

Json labels_json(const tone::RegionMap& map) {
  std::string runs;
  unsigned id = 0, length = 0;
  for (int y = 0; y < map.labels.rows; ++y) {
    for (int x = 0; x < map.labels.cols; ++x) {
      if (length > 0 && map.labels(y, x) != id) {
        leb128(runs, id);
        leb128(runs, length);
        length = 0;
      }
      id = map.labels(y, x);
      ++length;
    }
  }
  leb128(runs, id);
  leb128(runs, length);
  return {{"cols", map.labels.cols},
          {"rows", map.labels.rows},
          {"px_per_mm", map.grid.px_per_mm},
          {"runs", base64(runs)}};
}

template <class Items, class ToJson>
Json list(const Items& items, ToJson to_json) {
  Json out = Json::array();
  for (const auto& item : items) out.push_back(to_json(item));
  return out;
}

std::string plain(const DensityEstimate& e) {
  return tone_number(e.value.value()) + " ± " + tone_number(e.sd);
}

Json region_json(const plan::PlannedRegion& r, const SheetContent& c) {
  const auto& g = r.region;
  return {
      {"id", g.id},
      {"action", action_key(r.action)},
      {"look", look_of(r)},
      {"stage", r.stage},
      {"centre_mm", {g.centre.x, g.centre.y}},
      {"area_mm2", g.area_mm2},
      {"now", g.now.value.value()},
      {"target", g.target.value.value()},
      {"predicted", r.predicted.value.value()},
      {"action_text", action_words(r)},
      {"after",
       list(r.after_stage, [](const DensityEstimate& d) { return Json(d.value.value()); })},
      {"after_text", list(r.after_stage, [](const DensityEstimate& d) { return Json(plain(d)); })},
      {"now_text", plain(g.now)},
      {"target_text", plain(g.target)},
      {"predicted_text", plain(r.predicted)},
      {"gap_text", gap_number(g.gap.value()) + " ± " + tone_number(g.gap_sd)},
      {"area_text", area_text(g.area_mm2, c.units)},
      {"time_text", r.minutes ? minutes_text(*r.minutes) : ""},
      {"guide_text", r.guide ? clock_text(*r.guide) : ""},
      {"advice", advice(r, c.plan)}};
}

// "plain": all that carries no number is stopped out as well.
Json stage_json(const plan::Stage& s, bool plain) {
  return {{"number", s.number},
          {"plain", plain},
          {"dip_text", clock_text(s.dip)},
          {"total_text", clock_text(s.total)},
          {"stop_out_before", s.stop_out_before},
          {"still_open", s.still_open}};
}

Json layer_json(const PictureLayer& l) {
  Json levels = Json::array();
  for (const auto& v : l.levels)
    levels.push_back({{"px_per_mm", v.px_per_mm},
                      {"width", v.width},
                      {"height", v.height},
                      {"tile", v.tile},
                      {"tiles", v.tiles}});
  return {{"id", l.id}, {"name", l.name}, {"about", l.about}, {"levels", levels}};
}

}  // namespace

Json report_data(const SheetContent& c, const std::vector<PictureLayer>& layers, DataParts parts) {
  const bool inches = c.units == Units::inches;
  const tone::GapShares& shares = c.gap_shares;
  Json j{{"title", c.title},
         {"units", {{"length", inches ? "in" : "mm"}, {"mm_per_unit", inches ? 25.4 : 1.0}}},
         {"plate", {{"width_mm", c.plate.width}, {"height_mm", c.plate.height}}},
         {"maps", {{"tone", tone_json(c.map)}, {"labels", labels_json(c.map)}}},
         {"regions", list(c.plan.regions, [&](const auto& r) { return region_json(r, c); })},
         {"stages",
          list(c.plan.stages,
               [&](const plan::Stage& s) { return stage_json(s, s.number == 1 && has_hold(c)); })},
         {"layers", list(layers, layer_json)},
         {"curve", curve_data(c)},
         {"histogram", histogram_data(shares)}};
  if (parts.pieces)
    j["pieces"] = {{"defs", defs_svg(c)},
                   {"regions", region_table_html(c)},
                   {"stages", stages_html(c)},
                   {"curve", curve_svg(c)},
                   {"histogram", histogram_svg(shares)},
                   {"looks", looks_html(c)},
                   {"gap_legend", legend_html(gap_legend())},
                   {"alignment_legend", legend_html(alignment_legend(c.units))}};
  return j;
}

std::string script_safe(const Json& data) {
  const std::string text = data.dump(-1, ' ', false, Json::error_handler_t::replace);
  std::string out;
  out.reserve(text.size());
  for (const char c : text) {
    if (c == '<')
      out += "\\u003c";
    else
      out += c;
  }
  return out;
}

}  // namespace rebite::sheets

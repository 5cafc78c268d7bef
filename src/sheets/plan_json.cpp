// plan.json, as interface.md fixes it: every key there is here under that name and meaning; keys of
// our own are added beside them. Decimal points only, keys in a fixed order, no non-finite number.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>
#include <stdexcept>

#include "sheets/sheets.h"
#include "sheets/wording.h"

namespace rebite::sheets {
namespace {

using Json = nlohmann::ordered_json;

// nlohmann writes NaN as null without a word: a number that is none is a fault of ours, said so.
double checked(double v, const char* key) {
  if (!std::isfinite(v)) {
    throw std::domain_error(fmt::format("plan.json: {} is not a finite number", key));
  }
  return v;
}

double rounded(double v, double per_unit, const char* key) {
  const double r = std::round(checked(v, key) * per_unit) / per_unit;
  return r == 0 ? 0.0 : r;  // no "-0.0"
}
double density(double v, const char* key) { return rounded(v, 1e5, key); }
double minutes(BiteTime t, const char* key) { return rounded(t.in_minutes(), 1e6, key); }
double millimetres(double v, const char* key) { return rounded(v, 1e4, key); }

template <class Items, class ToJson>
Json list(const Items& items, ToJson to_json) {
  Json out = Json::array();
  for (const auto& item : items) out.push_back(to_json(item));
  return out;
}

Json alignment_json(const AlignmentContent& a) {
  return {{"format", "rebite-alignment"},
          {"version", 1},
          {"mirrored", a.mirrored},
          {"rotation_deg", rounded(a.rotation_deg, 1e5, "rotation_deg")},
          {"scale_x", rounded(a.scale_x, 1e7, "scale_x")},
          {"scale_y", rounded(a.scale_y, 1e7, "scale_y")},
          {"stretch_x", rounded(a.stretch_x, 1e7, "stretch_x")},
          {"stretch_y", rounded(a.stretch_y, 1e7, "stretch_y")},
          {"error_mm",
           {{"median", millimetres(a.error_median_mm, "error_mm.median")},
            {"p95", millimetres(a.error_p95_mm, "error_mm.p95")}}},
          {"confidence", rounded(a.confidence, 1e4, "confidence")},
          {"plate_found", a.plate_found},
          {"notes", a.notes}};
}

Json region_json(const plan::PlannedRegion& r) {
  Json j{
      {"id", r.region.id},
      {"action", action_key(r.action)},
      {"area_mm2", rounded(r.region.area_mm2, 1e3, "area_mm2")},
      {"width_mm", millimetres(r.region.width_mm, "width_mm")},
      {"centre_mm",
       {millimetres(r.region.centre.x, "centre_mm"), millimetres(r.region.centre.y, "centre_mm")}},
      {"density_now", density(r.region.now.value.value(), "density_now")},
      {"density_now_sd", density(r.region.now.sd, "density_now_sd")},
      {"density_target", density(r.region.target.value.value(), "density_target")},
      {"density_target_sd", density(r.region.target.sd, "density_target_sd")},
      {"density_gap", density(r.region.gap.value(), "density_gap")},
      {"density_gap_sd", density(r.region.gap_sd, "density_gap_sd")},
      {"density_predicted", density(r.predicted.value.value(), "density_predicted")},
      {"density_predicted_sd", density(r.predicted.sd, "density_predicted_sd")},
      {"unseen_share", rounded(r.region.unseen_share, 1e4, "unseen_share")},
      {"neighbours", r.region.neighbours}};
  if (r.nearest) j["density_nearest"] = density(r.nearest->value(), "density_nearest");
  if (r.minutes) {
    j["minutes"] = {{"low", minutes(r.minutes->low, "minutes.low")},
                    {"best", minutes(r.minutes->best, "minutes.best")},
                    {"high", minutes(r.minutes->high, "minutes.high")},
                    {"advised", minutes(r.minutes->advised, "minutes.advised")}};
  }
  if (r.guide) j["guide_minutes"] = minutes(*r.guide, "guide_minutes");
  j["stage"] = r.stage;
  j["density_after_stage"] = list(r.after_stage, [](const DensityEstimate& d) {
    return Json(density(d.value.value(), "density_after_stage"));
  });
  j["notes"] = r.notes;
  return j;
}

Json patch_json(const plan::ControlPatch& p) {
  return {{"stage", p.stage},
          {"total_minutes", minutes(p.total, "total_minutes")},
          {"density", density(p.expected.value.value(), "density")},
          {"density_sd", density(p.expected.sd, "density_sd")}};
}

Json shares_json(const tone::GapShares& s) {
  const auto share = [](double v) { return Json(rounded(v, 1e6, "gap_shares")); };
  return {{"from_density", s.from},
          {"step_density", s.step},
          {"before", list(s.before, share)},
          {"after", list(s.after, share)}};
}

Json stage_json(const plan::Stage& s) {
  return {{"stage", s.number},
          {"dip_minutes", minutes(s.dip, "dip_minutes")},
          {"total_minutes", minutes(s.total, "total_minutes")},
          {"dip", clock_text(s.dip)},
          {"total", clock_text(s.total)},
          {"stop_out_before", s.stop_out_before},
          {"still_open", s.still_open}};
}

Json choice_json(const plan::StageChoice& s) {
  return {{"stages", s.stages},
          {"loss_density", density(s.loss, "loss_density")},
          {"gain_density", density(s.gain, "gain_density")},
          {"chosen", s.chosen}};
}

}  // namespace

std::string plan_json(const SheetContent& c,
                      const std::vector<std::pair<std::string, std::string>>& beside) {
  Notes notes = c.plan.notes;
  for (const std::string& n : c.map.notes) {
    if (std::find(notes.begin(), notes.end(), n) == notes.end()) notes.push_back(n);
  }
  Json j{{"format", "rebite-plan"},
         {"version", 1},
         {"made_by", "rebite " + c.version},
         {"title", c.title},
         {"proof", c.proof_file},
         {"drawing", c.drawing_file},
         {"plate",
          {{"width_mm", checked(c.plate.width, "width_mm")},
           {"height_mm", checked(c.plate.height, "height_mm")}}},
         {"ground", c.plan.ground == plan::Ground::fresh ? "fresh" : "kept"},
         {"batch", c.plan.batch.empty() ? Json(nullptr) : Json(c.plan.batch)},
         {"risk", rounded(c.plan.risk, 1e6, "risk")},
         {"temperature_factor", rounded(c.plan.temperature_factor, 1e6, "temperature_factor")},
         {"temperature_factor_sd",
          rounded(c.plan.temperature_factor_sd, 1e6, "temperature_factor_sd")},
         {"time_factor", rounded(c.plan.time_factor, 1e6, "time_factor")},
         {"time_factor_ln_sd", rounded(c.plan.time_factor_ln_sd, 1e6, "time_factor_ln_sd")},
         {"new_wedge_advised", c.plan.new_wedge_advised},
         {"alignment", alignment_json(c.alignment)},
         {"inking",
          {{"offset_density", density(c.map.inking.offset_density, "offset_density")},
           {"gain", rounded(c.map.inking.gain, 1e6, "gain")},
           {"noise_density", density(c.map.inking.noise_density, "noise_density")},
           {"fitted_share", rounded(c.map.inking.fitted_share, 1e4, "fitted_share")}}},
         {"map",
          {{"file", "regions.png"},
           {"px_per_mm", checked(c.map.grid.px_per_mm, "px_per_mm")},
           {"view", "print"}}},
         {"regions", list(c.plan.regions, region_json)},
         {"stages", list(c.plan.stages, stage_json)},
         {"stage_choice", list(c.plan.stage_table, choice_json)},
         {"control_strip", list(c.plan.control_strip, patch_json)},
         {"lower_first", c.plan.lower_first},
         {"outlook",
          {{"mean_gap_before", density(c.plan.outlook.mean_gap_before, "mean_gap_before")},
           {"mean_gap_after", density(c.plan.outlook.mean_gap_after, "mean_gap_after")}}},
         {"notes", notes},
         {"cautions", c.plan.cautions}};
  if (!c.made_on.empty()) j["made_on"] = c.made_on;
  if (!c.gap_shares.before.empty()) j["gap_shares"] = shares_json(c.gap_shares);
  if (c.plan.handling) j["handling_minutes"] = minutes(*c.plan.handling, "handling_minutes");
  for (const auto& [name, sum] : beside) j["files"].push_back({{"name", name}, {"crc32", sum}});
  // Names may hold bytes that are no UTF-8 (a file system allows it): shown as U+FFFD, never
  // thrown.
  return j.dump(1, ' ', false, Json::error_handler_t::replace) + "\n";
}

}  // namespace rebite::sheets

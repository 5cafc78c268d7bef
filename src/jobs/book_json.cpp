// The book's stories as JSON.
#include <cmath>
#include <nlohmann/json.hpp>

#include "jobs/book_story.h"

namespace rebite::jobs {
namespace {
using Json = nlohmann::ordered_json;

std::string dumped(const Json& j) {
  return j.dump(1, ' ', false, Json::error_handler_t::replace) + "\n";
}
Json or_null(const std::string& text) { return text.empty() ? Json(nullptr) : Json(text); }
Json or_null(const std::optional<double>& v) { return v ? Json(*v) : Json(nullptr); }

}  // namespace

std::string list_json(const BookList& list) {
  Json j{{"format", "rebite-book-list"},
         {"version", 1},
         {"plates", Json::array()},
         {"batches", Json::array()},
         {"grounds", Json::array()}};
  for (const auto& p : list.plates) {
    j["plates"].push_back({{"title", p.plate.title},
                           {"metal", p.plate.metal},
                           {"width_mm", p.plate.size.width},
                           {"height_mm", p.plate.size.height},
                           {"thickness_mm", or_null(p.plate.thickness_mm)},
                           {"states", p.states},
                           {"last_state", p.last_state},
                           {"last_date", or_null(p.last_date)}});
  }
  for (const auto& b : list.batches) {
    j["batches"].push_back({{"name", b.name},
                            {"mordant", b.mordant},
                            {"strength", b.strength},
                            {"mixed_on", or_null(b.mixed_on)},
                            {"volume_l", or_null(b.volume_l)}});
  }
  for (const auto& g : list.grounds) {
    j["grounds"].push_back({{"name", g.name}, {"note", g.note}});
  }
  return dumped(j);
}

std::string story_json(const book::Story& story) {
  const ByState by(story);
  Json j{{"format", "rebite-book-plate"},
         {"version", 1},
         {"title", story.plate.title},
         {"metal", story.plate.metal},
         {"width_mm", story.plate.size.width},
         {"height_mm", story.plate.size.height},
         {"thickness_mm", or_null(story.plate.thickness_mm)},
         {"note", story.plate.note},
         {"states", Json::array()}};
  const auto scan = [](const book::ScanRecord& s) {
    return Json{{"path", s.path}, {"sha256", s.sha256}, {"bytes", s.bytes}};
  };
  for (const auto& s : story.states) {
    Json state{{"state", s.number},
               {"date", s.date},
               {"impressions_printed",
                s.impressions_printed ? Json(*s.impressions_printed) : Json(nullptr)},
               {"note", s.note},
               {"proofs", Json::array()},
               {"drawing", s.drawing ? scan(*s.drawing) : Json(nullptr)},
               {"bites", Json::array()},
               {"lowerings", Json::array()},
               {"plans", Json::array()}};
    for (const auto& p : s.proofs) state["proofs"].push_back(scan(p));
    if (by.bites.contains(s.id)) {
      for (const auto* b : by.bites.at(s.id)) {
        state["bites"].push_back({{"stage", b->stage},
                                  {"minutes", b->minutes},
                                  {"temperature_c", or_null(b->temperature_c)},
                                  {"date", or_null(b->done_on)},
                                  {"note", b->note}});
        if (b->struck) state["bites"].back()["struck_out"] = b->struck->why;
      }
    }
    if (by.lowerings.contains(s.id)) {
      for (const auto* l : by.lowerings.at(s.id)) {
        state["lowerings"].push_back({{"region", l->region ? Json(l->region) : Json(nullptr)},
                                      {"how", l->how},
                                      {"date", or_null(l->done_on)},
                                      {"note", l->note}});
        if (l->struck) state["lowerings"].back()["struck_out"] = l->struck->why;
      }
    }
    if (by.plans.contains(s.id)) {
      for (const auto* p : by.plans.at(s.id)) {
        Json plan{{"made_on", or_null(p->made_on)},
                  {"current", p->current},
                  {"ground", p->kept_ground ? "kept" : "fresh"},
                  {"temperature_c", or_null(p->temperature_c)},
                  {"speed", p->speed},
                  {"speed_ln_sd", p->speed_ln_sd},
                  {"regions", Json::array()}};
        if (by.predictions.contains(p->id)) {
          for (const auto* r : by.predictions.at(p->id)) {
            plan["regions"].push_back({{"region", r->region},
                                       {"action", r->action},
                                       {"minutes", r->minutes},
                                       {"density_now", r->now},
                                       {"density_target", r->target},
                                       {"density_predicted", r->predicted},
                                       {"density_predicted_sd", r->predicted_sd},
                                       {"density_reached", or_null(r->reached)},
                                       {"density_reached_sd", or_null(r->reached_sd)}});
          }
        }
        state["plans"].push_back(std::move(plan));
      }
    }
    j["states"].push_back(std::move(state));
  }
  return dumped(j);
}

std::string batch_json(const BatchStory& story) {
  const auto& h = story.history;
  Json j{{"format", "rebite-book-batch"},
         {"version", 1},
         {"name", story.batch.name},
         {"mordant", story.batch.mordant},
         {"strength", story.batch.strength},
         {"mixed_on", or_null(story.batch.mixed_on)},
         {"volume_l", or_null(story.batch.volume_l)},
         {"speed", h.speed},
         {"speed_ln_sd", h.ln_sd},
         {"states_compared", h.compared},
         {"slope", h.slope},
         {"slope_sd", h.slope_sd},
         {"new_wedge", h.new_wedge},
         {"copper_g_per_l", or_null(h.copper_g_l)},
         {"uses", Json::array()},
         {"notes", h.notes}};
  for (const auto& s : h.steps) {
    Json use{{"plate", s.plate},
             {"state", s.state},
             {"date", s.date},
             {"temperature_factor", s.temperature_factor},
             {"speed_used", s.used_speed},
             {"speed_measured", s.evidence ? Json(std::exp(s.evidence->ln_speed)) : Json(nullptr)},
             {"speed_measured_ln_sd", s.evidence ? Json(s.measured_sd) : Json(nullptr)},
             {"speed_after", std::exp(s.after)},
             {"speed_after_ln_sd", s.after_sd},
             {"copper_g", s.copper_g},
             {"regions", Json::array()}};
    if (s.evidence) {
      for (const auto& a : s.evidence->answers) {
        use["regions"].push_back({{"region", a.region},
                                  {"minutes", a.minutes},
                                  {"wedge_minutes", or_null(a.wedge_minutes)},
                                  {"density_predicted", a.predicted},
                                  {"density_reached", a.reached},
                                  {"weight", a.weight}});
      }
    }
    j["uses"].push_back(std::move(use));
  }
  return dumped(j);
}

std::string check_json(const CheckReport& report) {
  Json j{{"format", "rebite-book-check"},
         {"version", 1},
         {"sound", report.damage.empty()},
         {"damage", Json::array()},
         {"scans_looked_at", report.scans_looked_at},
         {"scans_changed_or_gone", report.scans}};
  for (const auto& d : report.damage) j["damage"].push_back({{"where", d.where}, {"what", d.what}});
  return dumped(j);
}

}  // namespace rebite::jobs

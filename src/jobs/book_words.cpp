// The book's stories as text, JSON and one HTML page.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <nlohmann/json.hpp>

#include "book/plots.h"
#include "files/files.h"
#include "jobs/book_jobs.h"
#include "units/html_text.h"

namespace rebite::jobs {
namespace fs = std::filesystem;
namespace {
using Json = nlohmann::ordered_json;

std::string dumped(const Json& j) {
  return j.dump(1, ' ', false, Json::error_handler_t::replace) + "\n";
}
Json or_null(const std::string& text) { return text.empty() ? Json(nullptr) : Json(text); }
Json or_null(const std::optional<double>& v) { return v ? Json(*v) : Json(nullptr); }

std::string size_text(SizeMm s) { return fmt::format("{:g} x {:g} mm", s.width, s.height); }
std::string dip_text(double minutes) { return clock_text(BiteTime::minutes(minutes)); }

// What belongs to each state, by its id.
struct ByState {
  std::map<book::Id, std::vector<const book::PlanRecord*>> plans;
  std::map<book::Id, std::vector<const book::Bite*>> bites;
  std::map<book::Id, std::vector<const book::Lowering*>> lowerings;
  std::map<book::Id, std::vector<const book::Prediction*>> predictions;  // by plan

  explicit ByState(const book::Story& s) {
    for (const auto& p : s.plans) plans[p.state].push_back(&p);
    for (const auto& b : s.bites) bites[b.state].push_back(&b);
    for (const auto& l : s.lowerings) lowerings[l.state].push_back(&l);
    for (const auto& p : s.predictions) predictions[p.plan].push_back(&p);
  }
  // Of a state that has plans.
  const book::PlanRecord* current(book::Id state) const {
    const auto& all = plans.at(state);
    const auto found = std::find_if(all.begin(), all.end(), [](auto* p) { return p->current; });
    return found == all.end() ? all.back() : *found;
  }
};

std::string predictions_text(const std::vector<const book::Prediction*>& list) {
  int reached = 0;
  double off = 0;
  for (const auto* p : list) {
    if (p->reached) ++reached, off += *p->reached - p->predicted;
  }
  if (reached == 0) return {};
  std::string text = fmt::format(
      "    reached on the next proof: {} regions, on average {:+.3f} D against the prediction\n",
      reached,
      off / reached);
  text += "      region  action    minutes   was    predicted  reached\n";
  for (const auto* p : list) {
    if (!p->reached) continue;
    text += fmt::format("      {:>6}  {:<8} {:>8}   {:.3f}  {:.3f}      {:.3f} ({:+.3f})\n",
                        p->region,
                        p->action,
                        p->minutes > 0 ? dip_text(p->minutes) : "-",
                        p->now,
                        p->predicted,
                        *p->reached,
                        *p->reached - p->predicted);
  }
  return text;
}

std::string state_heading(const book::State& s) {
  return fmt::format(
      "State {}, {}{}{}",
      s.number,
      s.date,
      s.impressions_printed ? fmt::format(", {} impressions printed", *s.impressions_printed) : "",
      s.note.empty() ? "" : ": " + s.note);
}

// What belongs to one state, without its heading.
std::string state_body(const book::State& s, const ByState& by) {
  std::string text;
  for (const auto& p : s.proofs) text += fmt::format("    proof    {}\n", p.path);
  if (s.drawing) text += fmt::format("    drawing  {}\n", s.drawing->path);
  if (by.plans.contains(s.id)) {
    const auto* plan = by.current(s.id);
    text += fmt::format(
        "    plan     {} ground{}{}\n",
        plan->kept_ground ? "kept" : "fresh",
        plan->temperature_c ? fmt::format(", {:g} C", *plan->temperature_c) : "",
        plan->speed != 1 ? fmt::format(", learned speed {:.2f} on time", plan->speed) : "");
  }
  if (by.bites.contains(s.id)) {
    for (const auto* b : by.bites.at(s.id)) {
      text += fmt::format("    bitten   stage {}: {}{}{}{}\n",
                          b->stage,
                          dip_text(b->minutes),
                          b->temperature_c ? fmt::format(" at {:g} C", *b->temperature_c) : "",
                          b->done_on.empty() ? "" : ", " + b->done_on,
                          b->note.empty() ? "" : ", " + b->note);
    }
  }
  if (by.lowerings.contains(s.id)) {
    for (const auto* l : by.lowerings.at(s.id)) {
      text += fmt::format("    lowered  {}: {}{}\n",
                          l->region ? fmt::format("region {}", l->region) : "the plate",
                          l->how,
                          l->note.empty() ? "" : ", " + l->note);
    }
  }
  if (by.plans.contains(s.id)) {
    const auto found = by.predictions.find(by.current(s.id)->id);
    if (found != by.predictions.end()) text += predictions_text(found->second);
  }
  return text;
}

}  // namespace

std::string state_text(const StateEntered& e, const std::string& plate) {
  std::string text = fmt::format("State {} of '{}' is in the book.\n", e.number, plate);
  if (e.regions_compared > 0) {
    text += fmt::format(
        "Its proof was compared with the last plan: {} regions, on average {:+.3f} D against the "
        "prediction.\n",
        e.regions_compared,
        e.mean_off);
  }
  if (!e.batch.empty()) {
    text += fmt::format(
        "Batch {}: the last plan took {:.2f} times the wedge's minutes, the next takes {:.2f} "
        "(+- {:.0f} %).\n",
        e.batch,
        e.speed_before,
        e.speed,
        100 * e.speed_ln_sd);
  }
  for (const auto& note : e.notes) text += note + "\n";
  return text;
}

std::string list_text(const BookList& list) {
  std::string text =
      list.plates.empty() ? "No plates yet: rebite book plate adds one.\n" : "Plates\n";
  for (const auto& p : list.plates) {
    text += fmt::format(
        "  {:<32} {:<8} {:<16} {}\n",
        p.plate.title,
        p.plate.metal,
        size_text(p.plate.size),
        p.states == 0
            ? std::string("no state yet")
            : fmt::format("{} states, last: state {} of {}", p.states, p.last_state, p.last_date));
  }
  if (!list.batches.empty()) text += "Batches\n";
  for (const auto& b : list.batches) {
    text += fmt::format("  {:<32} {} {}{}\n",
                        b.name,
                        b.mordant,
                        b.strength,
                        b.volume_l ? fmt::format(", {:g} l", *b.volume_l) : std::string());
  }
  if (!list.grounds.empty()) text += "Grounds\n";
  for (const auto& g : list.grounds) text += fmt::format("  {:<32} {}\n", g.name, g.note);
  return text;
}

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

std::string story_text(const book::Story& story) {
  const ByState by(story);
  std::string text = fmt::format(
      "{}: {}, {}{}\n",
      story.plate.title,
      story.plate.metal.empty() ? "metal not said" : story.plate.metal,
      size_text(story.plate.size),
      story.plate.thickness_mm ? fmt::format(", {:g} mm thick", *story.plate.thickness_mm) : "");
  if (!story.plate.note.empty()) text += fmt::format("  {}\n", story.plate.note);
  if (story.states.empty()) text += "  no state yet\n";
  for (const auto& s : story.states) text += "\n" + state_heading(s) + "\n" + state_body(s, by);
  return text;
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
      }
    }
    if (by.lowerings.contains(s.id)) {
      for (const auto* l : by.lowerings.at(s.id)) {
        state["lowerings"].push_back({{"region", l->region ? Json(l->region) : Json(nullptr)},
                                      {"how", l->how},
                                      {"date", or_null(l->done_on)},
                                      {"note", l->note}});
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

std::string batch_text(const BatchStory& story) {
  const auto& h = story.history;
  std::string text =
      fmt::format("{}: {} {}{}{}\n",
                  story.batch.name,
                  story.batch.mordant,
                  story.batch.strength,
                  story.batch.mixed_on.empty() ? "" : ", mixed " + story.batch.mixed_on,
                  story.batch.volume_l ? fmt::format(", {:g} l", *story.batch.volume_l) : "");
  if (!story.wedge) return text + "  no wedge yet\n";
  if (h.steps.empty()) return text + "  not used since its wedge\n";
  text += "  use  state                        given at   measured  learned   copper (sum)\n";
  for (const auto& s : h.steps) {
    text +=
        fmt::format("  {:>3}  {:<28} x{:.2f}      {}  x{:.2f} +-{:.0f}%  {:.2f} g ({:.2f} g){}{}\n",
                    s.use + 1,
                    fmt::format("{} state {}, {}", s.plate, s.state, s.date),
                    s.temperature_factor,
                    s.evidence ? fmt::format("x{:.2f}  ", std::exp(s.evidence->ln_speed))
                               : std::string("-      "),
                    std::exp(s.after),
                    100 * s.after_sd,
                    s.copper_g,
                    s.copper_sum_g,
                    s.as_planned ? "  (minutes as planned)" : "",
                    s.unexpected ? "  (unexpected)" : "");
    if (!s.evidence) continue;
    for (const auto& a : s.evidence->answers) {
      if (a.minutes <= 0) continue;
      text += fmt::format(
          "         region {:>3}: predicted {:.3f}, reached {:.3f} D; bitten {}, "
          "the wedge needs {}{}\n",
          a.region,
          a.predicted,
          a.reached,
          dip_text(a.minutes),
          a.wedge_minutes ? dip_text(*a.wedge_minutes) : "-",
          a.weight < 0.3 ? " (left aside)" : "");
    }
  }
  text += fmt::format(
      "  The next plan multiplies times by {:.2f} (+-{:.0f} %).\n", h.speed, 100 * h.ln_sd);
  if (h.copper_g_l) {
    text += fmt::format("  Copper taken up, by estimate: {:.1f} g/l.\n", *h.copper_g_l);
  }
  for (const auto& note : h.notes) text += "  " + note + "\n";
  return text;
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

std::string story_html(const book::Story& story, const std::vector<BatchStory>& batches) {
  std::string html = fmt::format(
      "<!doctype html>\n<html lang=\"en\"><head><meta charset=\"utf-8\"><title>{0}</title>\n"
      "<meta name=\"viewport\" content=\"width=device-width\">\n<style>\n"
      "body{{font:16px/1.45 sans-serif;max-width:60rem;margin:1.5rem auto;padding:0 1rem;"
      "color:#111;background:#fff}}\n"
      "section{{border-top:1px solid #999;margin-top:1.5rem;padding-top:.5rem}}\n"
      "figure{{display:inline-block;margin:.3rem 1rem .3rem 0}}figcaption{{font-size:.85rem;"
      "max-width:15rem;overflow-wrap:anywhere}}\n"
      "pre{{overflow-x:auto;font-size:.85rem}}svg{{max-width:40rem;width:100%;height:auto}}\n"
      "</style></head><body><main>\n<h1>{0}</h1>\n<p>{1}, {2}. {3}</p>\n",
      html_text(story.plate.title),
      html_text(story.plate.metal),
      size_text(story.plate.size),
      html_text(story.plate.note));
  const auto figure = [](const book::ScanRecord& scan, const std::string& what) {
    if (scan.preview.empty()) {
      return fmt::format("<p>{}: {}</p>\n", what, html_text(scan.path));
    }
    return fmt::format(
        "<figure><img alt=\"{0}\" src=\"data:image/png;base64,{1}\"><figcaption>{0}: {2}"
        "</figcaption></figure>\n",
        what,
        base64(scan.preview),
        html_text(scan.path));
  };
  const ByState by(story);
  for (const auto& s : story.states) {
    html += fmt::format("<section><h2>{}</h2>\n", html_text(state_heading(s)));
    for (const auto& p : s.proofs) html += figure(p, "proof");
    if (s.drawing) html += figure(*s.drawing, "drawing");
    html += fmt::format("<pre>{}</pre></section>\n", html_text(state_body(s, by)));
  }
  html += "<section><h2>Tone of each region over the states</h2>\n" +
          book::tone_history_svg(story) + "</section>\n";
  for (const auto& b : batches) {
    html += fmt::format("<section><h2>Batch {}</h2>\n<pre>{}</pre>\n",
                        html_text(b.batch.name),
                        html_text(batch_text(b)));
    html += book::drift_svg(b.history, b.batch.name) + book::reached_svg(b.history, b.batch.name) +
            "</section>\n";
  }
  return html + "</main></body></html>\n";
}

std::string check_text(const CheckReport& report) {
  std::string text;
  for (const auto& d : report.damage) text += fmt::format("damaged: {}: {}\n", d.where, d.what);
  for (const auto& s : report.scans) text += fmt::format("scan: {}\n", s);
  if (report.damage.empty()) text += "The book is sound.\n";
  text += fmt::format(
      "{} scans looked at, {} changed or gone.\n", report.scans_looked_at, report.scans.size());
  return text;
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

std::optional<Problem> check_problem(const CheckReport& report, const fs::path& book) {
  if (report.damage.empty() && report.scans.empty()) return {};
  return Problem{ProblemKind::data,
                 fmt::format("{}: {} damaged entries, {} of {} scans changed or gone",
                             files::shown(book),
                             report.damage.size(),
                             report.scans.size(),
                             report.scans_looked_at),
                 report.damage.empty()
                     ? "Put the scans back where they were; the book itself is sound."
                     : "Go back to your last copy (rebite book copy makes them), or save what can "
                       "be read with rebite book export."};
}

}  // namespace rebite::jobs

// The book's stories as text.
#include <fmt/format.h>

#include <cmath>

#include "files/files.h"
#include "jobs/book_story.h"

namespace rebite::jobs {
namespace {

std::string dip_text(double minutes) { return clock_text(BiteTime::minutes(minutes)); }

std::string struck_text(const std::optional<book::StruckOut>& s) {
  if (!s) return "";
  return fmt::format("  (struck out{}{})", s->on.empty() ? "" : " " + s->on, s->why.empty() ? "" : ": " + s->why);
}

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

}  // namespace

std::string size_text(SizeMm s) { return fmt::format("{:g} x {:g} mm", s.width, s.height); }

std::string state_heading(const book::State& s) {
  return fmt::format(
      "State {}, {}{}{}",
      s.number,
      s.date,
      s.impressions_printed ? fmt::format(", {} impressions printed", *s.impressions_printed) : "",
      s.note.empty() ? "" : ": " + s.note);
}

std::string state_body(const book::State& s, const ByState& by) {
  std::string text;
  for (const auto& p : s.proofs) text += fmt::format("    proof    {}\n", p.path);
  if (s.drawing) text += fmt::format("    drawing  {}\n", s.drawing->path);
  if (by.plans.contains(s.id)) {
    const auto* plan = by.current(s.id);
    text += fmt::format(
        "    plan     {} ground{}{}\n",
        plan->kept_ground ? "kept" : "fresh",
        plan->temperature_c ? fmt::format(", {:.1f} C", *plan->temperature_c) : "",
        plan->speed != 1 ? fmt::format(", learned speed {:.2f} on time", plan->speed) : "");
  }
  if (by.bites.contains(s.id)) {
    for (const auto* b : by.bites.at(s.id)) {
      text += fmt::format("    bitten   stage {}: {}{}{}{}{}\n",
                          b->stage,
                          dip_text(b->minutes),
                          b->temperature_c ? fmt::format(" at {:.1f} C", *b->temperature_c) : "",
                          b->done_on.empty() ? "" : ", " + b->done_on,
                          b->note.empty() ? "" : ", " + b->note,
                          struck_text(b->struck));
    }
  }
  if (by.lowerings.contains(s.id)) {
    for (const auto* l : by.lowerings.at(s.id)) {
      text += fmt::format("    lowered  {}: {}{}{}\n",
                          l->region ? fmt::format("region {}", l->region) : "the plate",
                          l->how,
                          l->note.empty() ? "" : ", " + l->note,
                          struck_text(l->struck));
    }
  }
  if (by.plans.contains(s.id)) {
    const auto found = by.predictions.find(by.current(s.id)->id);
    if (found != by.predictions.end()) text += predictions_text(found->second);
  }
  return text;
}

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

std::string check_text(const CheckReport& report) {
  std::string text;
  for (const auto& d : report.damage) text += fmt::format("damaged: {}: {}\n", d.where, d.what);
  for (const auto& s : report.scans) text += fmt::format("scan: {}\n", s);
  if (report.damage.empty()) text += "The book is sound.\n";
  text += fmt::format(
      "{} scans looked at, {} changed or gone.\n", report.scans_looked_at, report.scans.size());
  return text;
}

std::optional<Problem> check_problem(const CheckReport& report, const std::filesystem::path& book) {
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

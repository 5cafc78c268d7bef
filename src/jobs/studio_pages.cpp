// What the page shows of the record book.
#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>

#include "jobs/from_book.h"
#include "jobs/guard.h"
#include "jobs/studio.h"
#include "sheets/plots.h"

namespace rebite::jobs {
namespace fs = std::filesystem;
namespace {
using Json = nlohmann::ordered_json;

// How the wedge was read: {"recorded","curve","id" (of the kept curve, 0: not kept here)}.
Json scanner_line(const std::vector<KeptScanner>& kept, const wedge::Batch& wedge) {
  const auto own = scanner_of(kept, wedge);
  return {{"recorded", wedge.scanner.recorded},
          {"curve", own ? own->name : wedge.scanner.curve},
          {"id", own ? own->id : 0}};
}

Json batch_line(const std::vector<KeptScanner>& kept,
                book::Book& book,
                const book::MordantBatch& b) {
  Json j{{"id", b.id}, {"name", b.name}, {"mordant", b.mordant}, {"strength", b.strength}};
  const auto wedges = book.wedges(b.id);
  if (!wedges || wedges->empty()) return j;
  const auto wedge = wedge::batch_from_json(wedges->back().text, b.name);
  if (!wedge) return j;
  j["scanner"] = scanner_line(kept, *wedge);
  j["metal"] = wedge->metal;
  j["ground"] = wedge->ground;
  j["useful_until"] = clock_text(wedge->curve.useful_until());
  j["end_seen"] = wedge->end_seen();
  j["darkest"] = wedge->curve.darkest().value();
  if (wedge->temperature_c) j["temperature_c"] = *wedge->temperature_c;
  return j;
}

// What a printmaker does next with a plate.
std::string next_step(const book::State& state,
                      const std::optional<book::PlanRecord>& plan,
                      const std::vector<book::Bite>& bites,
                      bool in_bath) {
  if (in_bath) return "in the bath now";
  if (!plan) return "plan its next bite";
  const Json j = Json::parse(plan->text, nullptr, false);
  const std::size_t stages = stages_of(*plan).size();
  const bool lower = j.is_object() && j.contains("lower_first") && !j["lower_first"].empty();
  if (stages == 0) return lower ? "burnish or scrape, then print a proof" : "print a proof";
  const int stage = next_stage(bites, stages);
  if (stage == 1) return lower ? "lower first, then bite stage 1" : "bite stage 1";
  if (stage > 0) return fmt::format("bite stage {} of {}", stage, stages);
  return fmt::format("print the proof of state {}", state.number + 1);
}

Json plan_line(const book::PlanRecord& p, const fs::path& kept) {
  Json j{{"id", p.id}, {"made_on", p.made_on}, {"current", p.current}};
  const Json text = Json::parse(p.text, nullptr, false);
  if (text.is_object()) {
    j["regions"] = text.value("regions", Json::array()).size();
    j["stages"] = text.value("stages", Json::array());
    for (auto& s : j["stages"]) s.erase("stop_out_before"), s.erase("still_open");
    j["outlook"] = text.value("outlook", Json::object());
    j["batch"] = text.value("batch", Json());
    j["by_hand"] = text.value("edits", Json::array()).size();
  }
  std::error_code none;
  j["kept"] = fs::exists(kept / "kept.json", none);
  return j;
}

}  // namespace

Result<std::string> book_json(const Studio& studio) {
  return guarded("Reading the book", [&]() -> Result<std::string> {
    auto book = opened(studio);
    if (!book) return std::unexpected(book.error());
    const auto lines = book->plates();
    const auto batches = book->batches();
    const auto clocks = book->running_clocks();
    if (!lines) return std::unexpected(lines.error());
    if (!batches) return std::unexpected(batches.error());
    if (!clocks) return std::unexpected(clocks.error());
    Json plates = Json::array();
    for (const auto& line : *lines) {
      Json j{{"id", line.plate.id},
             {"title", line.plate.title},
             {"size_mm", {line.plate.size.width, line.plate.size.height}},
             {"metal", line.plate.metal},
             {"states", line.states},
             {"last_state", line.last_state},
             {"last_date", line.last_date}};
      const auto state = book->last_state(line.plate.id);
      if (!state) return std::unexpected(state.error());
      if (*state) {
        const auto plan = book->current_plan((*state)->id);
        const auto bites = book->bites((*state)->id);
        if (!plan) return std::unexpected(plan.error());
        if (!bites) return std::unexpected(bites.error());
        const bool bath = std::any_of(
            clocks->begin(), clocks->end(), [&](const auto& c) { return c.state == (*state)->id; });
        j["state_id"] = (*state)->id;
        j["has_picture"] = !(*state)->proofs.empty();
        j["in_bath"] = bath;
        if (*plan) j["plan"] = (*plan)->id;
        j["next"] = next_step(**state, *plan, *bites, bath);
      } else {
        j["next"] = "hand in its first proof";
      }
      plates.push_back(std::move(j));
    }
    Json wedges = Json::array();
    const auto kept = kept_scanners(studio);  // once: it reads and hashes every curve
    for (const auto& b : *batches) wedges.push_back(batch_line(kept, *book, b));
    Json scanners = Json::array();
    for (const auto& s : kept) scanners.push_back({{"id", s.id}, {"name", s.name}});
    return text_of({{"book", studio.book.filename().string()},
                    {"plates", plates},
                    {"batches", wedges},
                    {"scanners", scanners}});
  });
}

Result<std::string> plate_json(const Studio& studio, book::Id plate) {
  return guarded("Reading the book", [&]() -> Result<std::string> {
    auto book = opened(studio);
    if (!book) return std::unexpected(book.error());
    const auto story = book->story(plate, false);
    if (!story) return std::unexpected(story.error());
    if (story->plate.id == 0) {
      return refuse(ProblemKind::data, "that plate is not in the book", "Go back to the plates.");
    }
    Json states = Json::array();
    for (const auto& s : story->states) {
      Json j{{"id", s.id},
             {"number", s.number},
             {"date", s.date},
             {"note", s.note},
             {"has_proof", !s.proofs.empty()},
             {"has_drawing", s.drawing.has_value()},
             {"bites", Json::array()},
             {"lowerings", Json::array()}};
      const auto current = book->current_plan(s.id);
      if (!current) return std::unexpected(current.error());
      if (*current) {
        // The kept measures lie under the original's number.
        book::Id root = (*current)->id;
        const auto edits = book->edits(s.id);
        if (!edits) return std::unexpected(edits.error());
        for (auto e = edits->rbegin(); e != edits->rend(); ++e) {
          if (e->plan == root) root = e->from;
        }
        const fs::path kept = studio.plans() / fmt::format("{}", root);
        j["plan"] = plan_line(**current, kept);
        j["plan"]["original"] = root;
      }
      for (const auto& b : story->bites) {
        if (b.state != s.id) continue;
        Json bite{{"stage", b.stage},
                  {"minutes", b.minutes},
                  {"time", clock_text(BiteTime::minutes(b.minutes))},
                  {"done_on", b.done_on},
                  {"note", b.note},
                  {"struck", b.struck.has_value()}};
        if (b.temperature_c) bite["temperature_c"] = *b.temperature_c;
        j["bites"].push_back(bite);
      }
      for (const auto& l : story->lowerings) {
        if (l.state == s.id) {
          j["lowerings"].push_back({{"how", l.how},
                                    {"region", l.region},
                                    {"note", l.note},
                                    {"struck", l.struck.has_value()}});
        }
      }
      states.push_back(std::move(j));
    }
    Json reached = Json::array();
    for (const auto& p : story->predictions) {
      if (!p.reached) continue;
      reached.push_back({{"plan", p.plan},
                         {"region", p.region},
                         {"predicted", p.predicted},
                         {"reached", *p.reached}});
    }
    return text_of({{"id", story->plate.id},
                    {"title", story->plate.title},
                    {"metal", story->plate.metal},
                    {"size_mm", {story->plate.size.width, story->plate.size.height}},
                    {"states", states},
                    {"reached", reached}});
  });
}

Result<std::string> preview_of(const Studio& studio, book::Id state, bool drawing) {
  return guarded("Reading the book", [&]() -> Result<std::string> {
    auto book = opened(studio);
    if (!book) return std::unexpected(book.error());
    return book->preview(state, drawing);
  });
}

Result<std::string> batch_page(const Studio& studio, book::Id id, const std::string& today) {
  return guarded("Reading the book", [&]() -> Result<std::string> {
    auto book = opened(studio);
    if (!book) return std::unexpected(book.error());
    const auto all = book->batches();
    if (!all) return std::unexpected(all.error());
    for (const auto& b : *all) {
      if (b.id != id) continue;
      const auto story = batch_story(*book, b.name, today);
      if (!story) return std::unexpected(story.error());
      Json j = batch_line(kept_scanners(studio), *book, b);
      j["compared"] = story->history.compared;
      j["speed"] = story->history.speed;
      j["notes"] = story->history.notes;
      if (story->wedge) {
        j["curve_svg"] = sheets::tone_curve_plot(*story->wedge, sheets::PlotForm::svg);
        j["solid"] = story->wedge->solid.value();
        for (const auto& n : story->wedge->notes) j["notes"].push_back(n);
        for (const auto& s : story->wedge->steps) {
          j["steps"].push_back({{"time", clock_text(s.time)}, {"density", s.density.value()}});
        }
      }
      return text_of(j);
    }
    return refuse(ProblemKind::data, "that batch is not in the book", "Go back to the list.");
  });
}

}  // namespace rebite::jobs

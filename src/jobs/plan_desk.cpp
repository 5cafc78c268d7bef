#include "jobs/plan_desk.h"

#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>

#include "files/files.h"
#include "jobs/from_book.h"
#include "jobs/guard.h"
#include "jobs/pictures.h"
#include "jobs/record_plan.h"
#include "scan/write_scan.h"
#include "sheets/report_data.h"
#include "sheets/report_pieces.h"

namespace rebite::jobs {
namespace {
using Json = nlohmann::ordered_json;

constexpr std::size_t most_open = 4, most_kept = 2;

std::unexpected<Problem> no_plan() {
  return refuse(ProblemKind::data, "that plan is not in the book", "Go back to the plates.");
}

// Made from which, all the way back to the original.
book::Id original(const std::vector<book::PlanEdit>& edits, book::Id plan) {
  for (auto e = edits.rbegin(); e != edits.rend(); ++e) {
    if (e->plan == plan) plan = e->from;
  }
  return plan;
}

Json level_json(const TileLevel& l) {
  return {{"px_per_mm", l.px_per_mm}, {"width", l.width}, {"height", l.height}, {"tile", l.tile}};
}

Json photo_layer(const char* id,
                 const char* name,
                 const char* about,
                 const std::vector<TileLevel>& levels) {
  Json list = Json::array();
  for (const auto& l : levels) list.push_back(level_json(l));
  return {{"id", id}, {"name", name}, {"about", about}, {"levels", list}};
}

// Pictures of numbers (gap, alignment) are small: they go along as they are.
Json small_layers(sheets::SheetContent content) {
  // Let go, not "= {}": that would blacken the pictures, which are shared.
  content.proof_picture.release();
  content.drawing_picture.release();
  content.next_proof_picture.release();
  Json out = Json::array();
  for (const auto& layer : sheets::picture_layers(content)) {
    const auto& l = layer.levels.front();
    out.push_back({{"id", layer.id},
                   {"name", layer.name},
                   {"about", layer.about},
                   {"levels",
                    {{{"px_per_mm", l.px_per_mm},
                      {"width", l.width},
                      {"height", l.height},
                      {"tile", l.tile},
                      {"tiles", l.tiles}}}}});
  }
  return out;
}

}  // namespace

Result<std::shared_ptr<const KeptPlan>> PlanDesk::kept(book::Id root) {
  {
    const std::lock_guard lock(mutex_);
    for (auto it = kept_.begin(); it != kept_.end(); ++it) {
      if (it->first != root) continue;
      kept_.splice(kept_.begin(), kept_, it);
      return kept_.front().second;
    }
  }
  auto read = kept_plan(studio_.plans() / fmt::format("{}", root));
  if (!read) {
    if (read.error().kind == ProblemKind::no_input) {
      return refuse(ProblemKind::no_input,
                    "this plan cannot be shown or changed in the page, for what was measured for it "
                    "is not kept: it was made with an edit file (--edit), whose changes the "
                    "measures do not have, or by an earlier Rebite, or its folder was removed",
                    "Sheets that 'rebite plan' wrote are where it wrote them, and the bath works "
                    "from the book. To change it here, hand in its proof and drawing again under "
                    "'New state' and make the changes by hand there.");
    }
    return std::unexpected(read.error());
  }
  auto shared = std::make_shared<const KeptPlan>(std::move(*read));
  const std::lock_guard lock(mutex_);
  kept_.emplace_front(root, shared);
  if (kept_.size() > most_kept) kept_.pop_back();
  return shared;
}

Result<std::shared_ptr<const PlanDesk::Open>> PlanDesk::open(book::Id plan) {
  {
    const std::lock_guard lock(mutex_);
    for (auto it = open_.begin(); it != open_.end(); ++it) {
      if ((*it)->plan != plan) continue;
      open_.splice(open_.begin(), open_, it);
      return open_.front();
    }
  }
  auto book = opened(studio_);
  if (!book) return std::unexpected(book.error());
  const auto record = book->plan(plan);
  if (!record) return std::unexpected(record.error());
  if (!*record) return no_plan();
  const auto edits = book->edits((*record)->state);
  if (!edits) return std::unexpected(edits.error());
  auto fresh = std::make_shared<Open>();
  fresh->plan = plan;
  fresh->state = (*record)->state;
  fresh->root = original(*edits, plan);
  const auto state = book->state(fresh->state);
  if (!state) return std::unexpected(state.error());
  if (!*state) return no_plan();
  fresh->plate = (*state)->plate;
  fresh->state_number = (*state)->number;
  const auto plate = book->plate(fresh->plate);
  if (!plate) return std::unexpected(plate.error());
  if (*plate) fresh->plate_title = (*plate)->title;
  for (const auto& e : *edits) {
    if (e.plan != plan || e.changes.empty()) continue;
    auto list = hand_edits_from_json(e.changes);
    if (!list) return std::unexpected(list.error());
    fresh->edits = std::move(*list);
  }
  auto measures = kept(fresh->root);
  if (!measures) return std::unexpected(measures.error());
  fresh->kept = *measures;
  auto content = with_edits(*fresh->kept, fresh->edits);
  if (!content) return std::unexpected(content.error());
  fresh->content = std::move(*content);
  const std::lock_guard lock(mutex_);
  open_.push_front(fresh);
  if (open_.size() > most_open) open_.pop_back();
  return fresh;
}

Result<std::string> PlanDesk::view(book::Id plan) {
  return guarded("Showing the plan", [&]() -> Result<std::string> {
    const auto found = open(plan);
    if (!found) return std::unexpected(found.error());
    const Open& o = **found;
    auto book = opened(studio_);
    if (!book) return std::unexpected(book.error());
    const auto current = book->current_plan(o.state);
    if (!current) return std::unexpected(current.error());
    const auto edits = book->edits(o.state);
    if (!edits) return std::unexpected(edits.error());
    const auto& c = o.content;
    Json data = sheets::report_data(c, {});
    data["layers"] = Json::array(
        {photo_layer("proof", "Proof", "the plate as it prints now", o.kept->levels),
         photo_layer("drawing", "Drawing", "what is wanted", o.kept->levels),
         photo_layer("next", "Next proof", "what this plan should print", o.kept->levels)});
    for (auto& layer : small_layers(c)) data["layers"].push_back(std::move(layer));
    auto& pieces = data["pieces"];
    pieces["glance"] = sheets::glance_html(c);
    pieces["cautions"] = sheets::cautions_html(c);
    pieces["stage_choice"] = sheets::stage_choice_html(c);
    pieces["notes"] = sheets::notes_html(c);
    pieces["facts"] = sheets::facts_html(c);
    Json by_hand = Json::array(), words = Json::array();
    for (const auto& e : o.edits) words.push_back(hand_edit_text(e));
    by_hand = Json::parse(hand_edits_json(o.edits));
    bool redo = false;
    for (const auto& e : *edits) redo = redo || e.from == plan;
    Json stages = Json::array();
    for (const auto& s : c.plan.stages) {
      stages.push_back(
          {{"dip_minutes", s.dip.in_minutes()}, {"total_minutes", s.total.in_minutes()}});
    }
    data["desk"] = {{"plan", o.plan},
                    {"original", o.root},
                    {"current", *current ? (*current)->id : o.plan},
                    {"state", o.state},
                    {"state_number", o.state_number},
                    {"plate", o.plate},
                    {"plate_title", o.plate_title},
                    {"edits", by_hand},
                    {"edit_words", words},
                    {"undo", o.plan != o.root},
                    {"redo", redo},
                    {"has_batch", c.batch.has_value()},
                    {"brush_mm", o.kept->brush_mm},
                    {"gap_before", c.plan.outlook.mean_gap_before},
                    {"gap_after", c.plan.outlook.mean_gap_after},
                    {"stage_minutes", stages}};
    return text_of(data);
  });
}

Result<PlanDesk::Answer> PlanDesk::change(book::Id from,
                                          const std::vector<HandEdit>& edits,
                                          const std::string& made_at) {
  return guarded("Changing the plan", [&]() -> Result<Answer> {
    const auto before = open(from);
    if (!before) return std::unexpected(before.error());
    auto content = with_edits(*(*before)->kept, edits);
    if (!content) return std::unexpected(content.error());
    auto book = book::Book::open(studio_.book, book::Book::Access::write);
    if (!book) return std::unexpected(book.error());
    const auto current = book->current_plan((*before)->state);
    if (!current) return std::unexpected(current.error());
    if (!*current) return no_plan();
    if ((*current)->id != from) return Answer{true, (*current)->id};
    const auto clocks = book->clocks((*before)->state);
    if (!clocks) return std::unexpected(clocks.error());
    if (std::ranges::any_of(*clocks, [](const auto& c) { return c.running(); })) {
      return refuse(ProblemKind::data,
                    "the plate is in the bath: its plan is not changed under it",
                    "Pull the plate, or call the dip off, then change the plan.");
    }
    book::PlanRecord record = **current;
    record.made_on = made_at.substr(0, 10);
    record.text = edited_plan_json(*content, static_cast<int>(edits.size()), edits);
    record.regions_png = sheets::regions_png(*content);
    const auto predictions = predictions_of(content->plan);
    book::PlanEdit entry;
    entry.from = from;
    entry.changes = hand_edits_json(edits);
    entry.what = edits.empty() ? "back to the original" : hand_edit_text(edits.back());
    entry.made_at = made_at;
    const auto id = book->add_edit(entry, record, predictions);
    if (!id) {
      // Another window was quicker between the look and the writing.
      const auto now = book->current_plan((*before)->state);
      if (now && *now && (*now)->id != from) return Answer{true, (*now)->id};
      return std::unexpected(id.error());
    }
    auto fresh = std::make_shared<Open>(**before);
    fresh->plan = *id;
    fresh->edits = edits;
    fresh->content = std::move(*content);
    const std::lock_guard lock(mutex_);
    open_.push_front(fresh);
    if (open_.size() > most_open) open_.pop_back();
    return Answer{false, *id};
  });
}

namespace {

template <class Step>
Result<PlanDesk::Answer> stepped(const Studio& studio, book::Id from, Step step) {
  return guarded("Changing the plan", [&]() -> Result<PlanDesk::Answer> {
    auto book = book::Book::open(studio.book, book::Book::Access::write);
    if (!book) return std::unexpected(book.error());
    const auto record = book->plan(from);
    if (!record) return std::unexpected(record.error());
    if (!*record) return no_plan();
    const auto current = book->current_plan((*record)->state);
    if (!current) return std::unexpected(current.error());
    if (!*current || (*current)->id != from) {
      return PlanDesk::Answer{true, *current ? (*current)->id : 0};
    }
    const auto id = step(*book, (*record)->state);
    if (!id) return std::unexpected(id.error());
    return PlanDesk::Answer{false, *id};
  });
}

}  // namespace

Result<PlanDesk::Answer> PlanDesk::undo(book::Id from) {
  return stepped(studio_, from, [](auto& book, auto state) { return book.undo_edit(state); });
}
Result<PlanDesk::Answer> PlanDesk::redo(book::Id from) {
  return stepped(studio_, from, [](auto& book, auto state) { return book.redo_edit(state); });
}

Result<std::vector<TileLevel>> PlanDesk::levels(book::Id plan) {
  const auto found = open(plan);
  if (!found) return std::unexpected(found.error());
  return (*found)->kept->levels;
}

Result<std::string> PlanDesk::tile(
    book::Id plan, const std::string& layer, int level, int col, int row) {
  return guarded("Showing the picture", [&]() -> Result<std::string> {
    const auto found = open(plan);
    if (!found) return std::unexpected(found.error());
    const Open& o = **found;
    if (level < 0 || static_cast<std::size_t>(level) >= o.kept->levels.size()) return "";
    const TileLevel& l = o.kept->levels[static_cast<std::size_t>(level)];
    if (col < 0 || row < 0 || col >= l.columns() || row >= l.rows()) return "";
    if (layer == "proof" || layer == "drawing") {
      return files::read_bytes(tile_file(o.kept->folder / layer, level, col, row));
    }
    if (layer != "next") return "";
    const cv::Mat1b codes = read_tile(o.kept->folder / "proof", level, col, row);
    if (codes.empty()) return "";
    cv::Mat1f tone = relative_of_grey(codes);
    const NextTone next(o.content.plan, o.content.map);
    const double scale = o.content.map.grid.px_per_mm / l.px_per_mm;
    for (int y = 0; y < tone.rows; ++y) {
      const int map_row = static_cast<int>((row * l.tile + y + 0.5) * scale);
      for (int x = 0; x < tone.cols; ++x) {
        const int map_col = static_cast<int>((col * l.tile + x + 0.5) * scale);
        tone(y, x) = next.at(map_row, map_col, tone(y, x));
      }
    }
    return scan::jpeg_bytes(as_grey(tone), 82);
  });
}

Result<std::string> PlanDesk::file(book::Id plan, const std::string& name) {
  return guarded("Drawing the sheets", [&]() -> Result<std::string> {
    const auto found = open(plan);
    if (!found) return std::unexpected(found.error());
    const Open& o = **found;
    const auto& c = o.content;
    if (name == "plan.json") {
      return o.edits.empty() ? sheets::plan_json(c)
                             : edited_plan_json(c, static_cast<int>(o.edits.size()), o.edits);
    }
    if (name == "regions.png") return sheets::regions_png(c);
    if (name == "map.png") return sheets::map_png(c);
    if (name == "map.svg") return sheets::map_svg(c);
    if (name == "bench-map.pdf") return sheets::bench_map_pdf(c, {});
    if (name == "report.html") return sheets::report_html(c);
    if (name == "next-proof.png") {
      const auto proof = load_scan(o.kept->proof, o.kept->read);
      if (!proof) return std::unexpected(proof.error());
      const NextTone next(c.plan, c.map);
      return scan::png_bytes(next_proof_scan(*proof, o.kept->mark, c.map.grid, next),
                             o.content.next_proof_px_per_mm);
    }
    return "";
  });
}

}  // namespace rebite::jobs

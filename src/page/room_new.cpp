// What is made of scans that were handed in: scanner curves, batches, states.
#include <algorithm>

#include "page/form.h"
#include "page/room.h"

namespace rebite::page {
namespace {

// A number beyond every kept curve's stays one: cut to 32 bits it could become another curve's.
int scanner_number(std::int64_t n) {
  return static_cast<int>(std::clamp<std::int64_t>(n, -1, 1 << 30));
}

}  // namespace

Result<Room::HeldScan> Room::scan_of(std::int64_t id) {
  const std::lock_guard lock(mutex_);
  const auto found = scans_.find(id);
  if (found != scans_.end()) return found->second;
  return refuse(ProblemKind::data, "a scan is missing", "Hand it in again.");
}

Response Room::scanners(const Request&, const Numbers&) {
  return from(jobs::scanners_json(o_.studio));
}
Response Room::scanner(const Request&, const Numbers& n) {
  return from(jobs::scanner_page(o_.studio, scanner_number(n[0])));
}
Response Room::take_scanner(const Request& r, const Numbers&) {
  const auto form = Form::of(r);
  if (!form) return told(form.error());
  // Whole: a curve is longer than any text that is typed.
  const auto text = form->j.find("text");
  return from(jobs::take_scanner(o_.studio,
                                 form->text("name"),
                                 text != form->j.end() && text->is_string()
                                     ? text->get<std::string>()
                                     : std::string()));
}
Response Room::new_scanner(const Request& r, const Numbers&) {
  const auto form = Form::of(r);
  if (!form) return told(form.error());
  const auto scan = scan_of(form->number("scan"));
  if (!scan) return refusal(400, "The grey scale is missing.", "Hand in its scan.");
  jobs::NewScanner s;
  s.scan = (*scan)->file;
  s.name = form->text("name"), s.densities = form->text("densities");
  s.dpi = form->real("dpi");
  Names names = ours_;
  names.emplace_back((*scan)->file.filename().string(), (*scan)->name);
  return started(
      work_.add("measuring the scanner", [this, s, names, held = *scan](const Progress&) {
        auto done = jobs::new_scanner(o_.studio, s);
        return done ? done : Result<std::string>(std::unexpected(named(done.error(), names)));
      }));
}

Response Room::new_batch(const Request& r, const Numbers&) {
  const auto form = Form::of(r);
  if (!form) return told(form.error());
  jobs::WedgeRequest w;
  Names names = ours_;
  std::vector<HeldScan> held;
  const auto list = form->j.find("scans");
  if (list != form->j.end() && list->is_array() && list->size() <= 20) {
    for (const auto& id : *list) {
      const auto scan = scan_of(id.is_number_integer() ? id.get<std::int64_t>() : 0);
      if (!scan) return told(scan.error());
      w.scans.push_back((*scan)->file);
      names.emplace_back((*scan)->file.filename().string(), (*scan)->name);
      held.push_back(*scan);
    }
  }
  if (w.scans.empty()) return refusal(400, "No scan of the wedge was handed in.", "Choose one.");
  w.times = form->text("times");
  w.dips = form->flag("dips");
  w.name = form->text("name"), w.mordant = form->text("mordant");
  w.strength = form->text("strength"), w.temperature = form->text("temperature");
  w.metal = form->text("metal"), w.ground = form->text("ground");
  w.dpi = form->real("dpi");
  w.scanner = scanner_number(form->number("scanner"));
  w.date = today();
  return started(work_.add("measuring the wedge", [this, w, names, held](const Progress& progress) {
    auto done = jobs::new_batch(o_.studio, w, progress);
    return done ? done : Result<std::string>(std::unexpected(named(done.error(), names)));
  }));
}

Response Room::new_state(const Request& r, const Numbers&) {
  const auto form = Form::of(r);
  if (!form) return told(form.error());
  const auto proof = scan_of(form->number("proof")), drawing = scan_of(form->number("drawing"));
  if (!proof) return refusal(400, "The proof is missing.", "Hand in a scan of the state proof.");
  if (!drawing) return refusal(400, "The drawing is missing.", "Hand in a scan of the drawing.");
  jobs::NewState s;
  s.plate = form->text("plate"), s.size = form->text("size");
  s.proof = (*proof)->file, s.drawing = (*drawing)->file;
  s.batch = form->number("batch");
  s.kept_ground = form->flag("kept_ground");
  s.temperature = form->text("temperature");
  s.dpi = form->real("dpi");
  if (form->j.contains("scanner")) s.scanner = scanner_number(form->number("scanner"));
  s.other_scanner = form->flag("other_scanner");
  s.made_on = now_text();
  Names names = ours_;
  names.emplace_back((*proof)->file.filename().string(), (*proof)->name);
  names.emplace_back((*drawing)->file.filename().string(), (*drawing)->name);
  const auto work = [this, s, names, held = std::pair(*proof, *drawing)](const Progress& progress) {
    auto done = jobs::new_state(o_.studio, s, progress);
    return done ? done : Result<std::string>(std::unexpected(named(done.error(), names)));
  };
  return started(work_.add("planning", work));
}

}  // namespace rebite::page

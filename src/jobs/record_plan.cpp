#include "jobs/record_plan.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "files/files.h"
#include "jobs/book_jobs.h"
#include "jobs/compare_proof.h"
#include "jobs/scanner_match.h"
#include "scan/read_scan.h"

namespace rebite::jobs {

std::vector<book::Prediction> predictions_of(const plan::BitePlan& plan) {
  std::vector<book::Prediction> all;
  for (const auto& r : plan.regions) {
    book::Prediction p;
    p.region = r.region.id;
    p.action = plan::word(r.action);
    p.area_mm2 = r.region.area_mm2;
    p.stage = r.stage;
    if (r.stage > 0) {
      p.minutes = plan.stages[static_cast<std::size_t>(r.stage - 1)].total.in_minutes();
    }
    p.now = r.region.now.value.value(), p.now_sd = r.region.now.sd;
    p.target = r.region.target.value.value();
    p.predicted = r.predicted.value.value(), p.predicted_sd = r.predicted.sd;
    all.push_back(std::move(p));
  }
  return all;
}

Result<PlanRecorder> PlanRecorder::begin(const PlanRequest& request) {
  std::vector<std::filesystem::path> scans{request.proof, request.drawing};
  scans.insert(scans.end(), request.impressions.begin(), request.impressions.end());
  for (const auto& file : scans) {
    if (auto name = recorded_path(file); !name) return std::unexpected(name.error());
    if (auto info = scan::read_scan_info(file); !info) return std::unexpected(info.error());
  }
  auto opened = book::Book::open(request.book, book::Book::Access::make);
  if (!opened) return std::unexpected(opened.error());
  PlanRecorder recorder(std::move(*opened), request.made_on.substr(0, 10));
  recorder.read_ = request.read;
  recorder.record_ = request.record;
  if (auto known = recorder.book_.plate(request.record)) {
    recorder.plate_ = std::move(*known);
  } else if (known.error().kind != ProblemKind::data || !recorder.book_.plates()) {
    return std::unexpected(known.error());
  }
  if (auto ok = recorder.same_size(request); !ok) return std::unexpected(ok.error());
  scans.insert(scans.end(), {request.batch, request.read.scanner});
  for (const auto& file : scans) {
    if (file.empty()) continue;
    const auto stamp = files::stamp_of(file);
    auto sha256 = files::sha256_of_file(file);
    if (!sha256) return std::unexpected(sha256.error());
    recorder.read_from_.push_back({file, stamp, std::move(*sha256)});
  }
  if (auto ok = recorder.find_last(request); !ok) return std::unexpected(ok.error());
  return recorder;
}

Result<void> PlanRecorder::same_size(const PlanRequest& request) const {
  if (!plate_) return {};
  const SizeMm size = plate_->size;
  if (std::fabs(size.width - request.plate.width) <= 1 &&
      std::fabs(size.height - request.plate.height) <= 1) {
    return {};
  }
  return refuse(ProblemKind::usage,
                fmt::format("'{}' is {:g} x {:g} mm in the book, but --plate says {:g} x {:g}",
                            request.record,
                            size.width,
                            size.height,
                            request.plate.width,
                            request.plate.height),
                "Give the plate's own size, or the right plate's name.");
}

// The plate's last state: this very one, or the one whose plan the new proof is held against.
Result<void> PlanRecorder::find_last(const PlanRequest& request) {
  if (!plate_) return {};
  const auto last = book_.last_state(plate_->id);
  if (!last) return std::unexpected(last.error());
  if (!*last) return {};
  next_number_ = (*last)->number + 1;
  if (!(*last)->proofs.empty() && (*last)->proofs.front().sha256 == sha256_of(request.proof)) {
    same_state_ = **last;
    return {};
  }
  auto plan = book_.last_plan(plate_->id);
  if (!plan) return std::unexpected(plan.error());
  if (*plan && (*plan)->state == (*last)->id) {
    auto predicted = book_.predictions((*plan)->id);
    if (!predicted) return std::unexpected(predicted.error());
    predicted_ = std::move(*predicted);
    before_ = std::move(*plan);
    state_before_ = **last;
  }
  return {};
}

Result<void> PlanRecorder::look(const scan::DensityImage& proof,
                                const wedge::Batch* batch,
                                plan::PlanOptions& options,
                                Notes& notes,
                                const Progress& progress) {
  const auto differ = before_ ? read_unlike_plan(book_, *before_, read_)
                              : Result<ReadUnlike>(ReadUnlike{});
  if (!differ) return std::unexpected(differ.error());
  notes.insert(notes.end(), differ->notes.begin(), differ->notes.end());
  if (differ->mismatch) notes.push_back(not_compared(*differ->mismatch));
  if (plate_ && plate_->title != record_) {
    notes.push_back(fmt::format("'{}' is the plate '{}' of the book.", record_, plate_->title));
  }
  if (before_ && !differ->mismatch) {
    auto compared =
        compare_proof(*state_before_, *before_, predicted_, plate_->size, proof, read_, progress);
    reached_ = std::move(compared.reached);
    notes.insert(notes.end(), compared.notes.begin(), compared.notes.end());
  }
  if (same_state_) {
    const auto bites = book_.bites(same_state_->id);
    if (!bites) return std::unexpected(bites.error());
    if (std::ranges::any_of(*bites, [](const book::Bite& b) { return !b.struck; })) {
      notes.push_back(
          "This plate has been bitten since this proof was pulled (book show): the plan is for the "
          "plate as it was. Pull a new proof before you bite again.");
    }
  }
  if (!batch) return {};
  const auto all = book_.batches();
  if (!all) return std::unexpected(all.error());
  for (const auto& known : *all) {
    if (known.name != batch->name) continue;
    const auto wedges = book_.wedges(known.id);
    if (!wedges) return std::unexpected(wedges.error());
    auto uses = book_.uses(known.id);
    if (!uses) return std::unexpected(uses.error());
    const std::string text = wedge::to_json(*batch);
    book::Id wedge = 0;
    for (const auto& w : *wedges) {
      const auto own = wedge::batch_from_json(w.text, known.name);
      if (own && wedge::to_json(*own) == text) wedge = w.id;
    }
    std::erase_if(*uses, [&](const auto& use) { return wedge == 0 || use.plan.wedge != wedge; });
    // What this state's own plan was made with is not yet experience.
    if (same_state_) {
      std::erase_if(*uses, [&](const auto& use) { return use.plan.state == same_state_->id; });
    }
    for (auto& use : *uses) {
      if (before_ && use.plan.id == before_->id) {
        for (auto& p : use.predictions) {
          for (const auto& r : reached_) {
            if (r.region == p.region) p = r;
          }
        }
      }
    }
    const auto history = book::learn(*uses, *batch, known.volume_l, today_);
    if (history.compared == 0) return {};
    const double was = uses->back().plan.speed;
    options.speed = speed_ = history.speed;
    options.speed_sd = speed_sd_ = history.ln_sd;
    options.overlap_share = history.overlap_share;
    notes.push_back(fmt::format(
        "The record book: {} states of batch {} compared. The last plan took {:.2f} times the "
        "wedge's minutes, this one takes {:.2f} (+- {:.0f} %).",
        history.compared,
        known.name,
        was,
        history.speed,
        100 * history.ln_sd));
    notes.insert(notes.end(), history.notes.begin(), history.notes.end());
  }
  return {};
}

const std::string& PlanRecorder::sha256_of(const std::filesystem::path& file) const {
  return std::ranges::find(read_from_, file, &ReadFrom::file)->sha256;
}

// A file that was copied over itself, or only touched, is still the one that was read.
Result<void> PlanRecorder::nothing_changed() const {
  for (const auto& [file, stamp, sha256] : read_from_) {
    if (files::stamp_of(file) == stamp) continue;
    const auto now = files::sha256_of_file(file);
    if (now && *now == sha256) continue;
    return refuse(ProblemKind::data,
                  fmt::format("{}: was changed while the plan was made of it", files::shown(file)),
                  "Plan again. Nothing was written.");
  }
  return {};
}

// The state that the plan is for: the one that is there, else a new one of its scans.
Result<book::State> PlanRecorder::state_of(const PlanRequest& request) const {
  if (same_state_) return *same_state_;
  book::State state;
  state.number = next_number_;
  state.date = today_;
  std::vector<std::filesystem::path> proofs{request.proof};
  proofs.insert(proofs.end(), request.impressions.begin(), request.impressions.end());
  for (const auto& file : proofs) {
    auto scan = scan_record(file, sha256_of(file));
    if (!scan) return std::unexpected(scan.error());
    state.proofs.push_back(std::move(*scan));
  }
  auto drawing = scan_record(request.drawing, sha256_of(request.drawing));
  if (!drawing) return std::unexpected(drawing.error());
  state.drawing = std::move(*drawing);
  return state;
}

// Plate, batch, ground, state and plan. Inside Book::together only.
Result<PlanReport::Recorded> PlanRecorder::enter(const PlanRequest& request,
                                                 const sheets::SheetContent& content) {
  book::Id plate = plate_ ? plate_->id : 0;
  if (!plate && book_.plate(request.record)) {
    return refuse(
        ProblemKind::data,
        fmt::format("'{}' was entered by another run of rebite meanwhile", request.record),
        "Run it again: the plan then goes to that plate.");
  }
  if (!plate) {
    book::Plate fresh;
    fresh.title = request.record;
    fresh.metal = content.batch ? content.batch->metal : "";
    fresh.size = request.plate;
    const auto id = book_.add_plate(fresh);
    if (!id) return std::unexpected(id.error());
    plate = *id;
  }
  if (!same_state_) planned_.state.plate = plate;
  if (!request.batch.empty()) {
    const auto entry = enter_batch(book_, batch_text_, files::shown(request.batch));
    if (!entry) return std::unexpected(entry.error());
    planned_.plan.wedge = entry->wedge;
  }
  if (content.batch && !content.batch->ground.empty()) {
    const auto ground = enter_ground(book_, {0, content.batch->ground, ""});
    if (!ground) return std::unexpected(ground.error());
    planned_.plan.ground = *ground;
  }
  const auto done = book_.add_planned(planned_);
  if (!done) return std::unexpected(done.error());
  return PlanReport::Recorded{plate, done->first, done->second, planned_.state.number};
}

Result<void> PlanRecorder::prepare(const PlanRequest& request,
                                   const sheets::SheetContent& content,
                                   const std::string& plan_json,
                                   const std::string& regions_png) {
  auto state = state_of(request);
  if (!state) return std::unexpected(state.error());
  planned_.state = std::move(*state);
  book::PlanRecord& plan = planned_.plan;
  if (request.options.temperature) plan.temperature_c = request.options.temperature->in_celsius();
  plan.temperature_factor = content.plan.temperature_factor;
  plan.temperature_ln_sd = content.plan.temperature_factor_sd;
  plan.kept_ground = content.plan.ground == plan::Ground::kept;
  plan.speed = speed_;
  plan.speed_ln_sd = speed_sd_;
  plan.made_on = content.made_on;
  auto text = with_scanner(plan_json, request.read.scanner);
  if (!text) return std::unexpected(text.error());
  plan.text = std::move(*text);
  plan.regions_png = regions_png;
  plan.px_per_mm = content.map.grid.px_per_mm;
  planned_.predictions = predictions_of(content.plan);
  planned_.reached = reached_;
  if (!request.batch.empty()) {
    auto batch = files::read_bytes(request.batch, most_json_bytes);
    if (!batch) return std::unexpected(batch.error());
    batch_text_ = std::move(*batch);
  }
  return nothing_changed();
}

Result<PlanReport::Recorded> PlanRecorder::write(const PlanRequest& request,
                                                 const sheets::SheetContent& content) {
  PlanReport::Recorded recorded;
  const auto all = book_.together([&]() -> Result<void> {
    auto entered = enter(request, content);
    if (!entered) return std::unexpected(entered.error());
    recorded = *entered;
    return {};
  });
  if (!all) return std::unexpected(all.error());
  return recorded;
}

}  // namespace rebite::jobs

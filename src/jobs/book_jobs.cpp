#include "jobs/book_jobs.h"

#include <fmt/format.h>

#include <map>
#include <opencv2/imgproc.hpp>

#include "files/files.h"
#include "jobs/book_plots.h"
#include "jobs/compare_proof.h"
#include "jobs/guard.h"
#include "jobs/pictures.h"
#include "jobs/scanner_match.h"
#include "scan/write_scan.h"

namespace rebite::jobs {
namespace fs = std::filesystem;

fs::path book_file(const fs::path& named, const std::string& from_environment) {
  if (!named.empty()) return named;
  if (!from_environment.empty()) return from_environment;
  return "rebite-book.sqlite";
}

Result<book::Book> open_book(const fs::path& named,
                             const std::string& from_environment,
                             BookAccess access) {
  return guarded("Opening the book",
                 [&] { return book::Book::open(book_file(named, from_environment), access); });
}

std::string preview_png(const cv::Mat1f& relative) {
  constexpr double longest = 240;
  const double scale = std::min(1.0, longest / std::max(relative.cols, relative.rows));
  cv::Mat1f small;
  cv::resize(relative, small, {}, scale, scale, cv::INTER_AREA);
  return scan::png_bytes(as_grey(small), 0, scan::PngContent::grain);
}

Result<std::string> recorded_path(const fs::path& file) {
  std::error_code error;
  const fs::path whole = fs::weakly_canonical(file, error);
  std::string path = (error ? file : whole).string();
  if (book::can_be_entered(path)) return path;
  return refuse(ProblemKind::data,
                fmt::format("{}: this name is not written in UTF-8, so the book could not give it "
                            "back",
                            files::shown(file)),
                "Rename the file or its folder with plain letters.");
}

Result<book::ScanRecord> scan_record(const fs::path& file, const std::string& sha256) {
  book::ScanRecord record;
  std::error_code error;
  auto path = recorded_path(file);
  if (!path) return std::unexpected(path.error());
  record.path = std::move(*path);
  auto sha = sha256.empty() ? files::sha256_of_file(file) : sha256;
  if (!sha) return std::unexpected(sha.error());
  record.sha256 = std::move(*sha);
  record.bytes = static_cast<std::int64_t>(fs::file_size(file, error));
  ScanChoice choice;
  choice.resolution_needed = false;
  choice.relative_to_paper = false;
  const auto picture = load_scan(file, choice);
  if (!picture) return std::unexpected(picture.error());
  record.preview = preview_png(picture->relative);
  return record;
}

Result<BatchEntry> enter_batch(book::Book& book, const fs::path& file) {
  const auto text = files::read_bytes(file, most_json_bytes);
  if (!text) return std::unexpected(text.error());
  return enter_batch(book, *text, files::shown(file));
}

Result<BatchEntry> enter_batch(book::Book& book, const std::string& text, std::string_view name) {
  const auto batch = wedge::batch_from_json(text, name);
  if (!batch) return std::unexpected(batch.error());
  const auto all = book.batches();
  if (!all) return std::unexpected(all.error());
  BatchEntry entry;
  for (const auto& b : *all) {
    if (b.name == batch->name) entry.batch = b.id;
  }
  const auto both = book.together([&]() -> Result<void> {
    if (!entry.batch) {
      const auto id = book.add_batch({0, batch->name, batch->mordant, batch->strength, "", {}});
      if (!id) return std::unexpected(id.error());
      entry.batch = *id;
    }
    const auto wedge = book.add_wedge({0, entry.batch, batch->bitten_on, text});
    if (!wedge) return std::unexpected(wedge.error());
    entry.wedge = *wedge;
    return {};
  });
  if (!both) return std::unexpected(both.error());
  return entry;
}

Result<BatchStory> batch_story(book::Book& book,
                               const std::string& name,
                               const std::string& next_date) {
  const auto batch = book.batch(name);
  if (!batch) return std::unexpected(batch.error());
  BatchStory story;
  story.batch = *batch;
  const auto wedges = book.wedges(batch->id);
  if (!wedges) return std::unexpected(wedges.error());
  if (wedges->empty()) return story;
  auto wedge = wedge::batch_from_json(wedges->back().text, name);
  if (!wedge) {
    return refuse(ProblemKind::data,
                  fmt::format("{}: the wedge of batch {} is damaged in the book",
                              files::shown(book.file()),
                              name),
                  "Look at the whole book with rebite book check, or go back to your last copy.");
  }
  auto uses = book.uses(batch->id);
  if (!uses) return std::unexpected(uses.error());
  std::erase_if(*uses, [&](const auto& use) { return use.plan.wedge != wedges->back().id; });
  story.history = book::learn(*uses, *wedge, batch->volume_l, next_date);
  story.wedge = std::move(*wedge);
  return story;
}

namespace {

// The plate's last plan against the new proof, while that plan's state is the last one.
Result<ComparedProof> compared_with_last_plan(book::Book& book,
                                              const book::Plate& plate,
                                              const std::optional<book::State>& last,
                                              const StateRequest& request,
                                              book::PlanRecord& before,
                                              const Progress& progress) {
  if (!last || request.proofs.empty()) return ComparedProof{};
  auto plan = book.current_plan(last->id);
  if (!plan) return std::unexpected(plan.error());
  if (!*plan) return ComparedProof{};
  const auto predictions = book.predictions((*plan)->id);
  if (!predictions) return std::unexpected(predictions.error());
  const auto differ = read_unlike_plan(book, **plan, request.read);
  if (!differ) return std::unexpected(differ.error());
  if (differ->mismatch) {
    Notes notes = differ->notes;
    notes.push_back(not_compared(*differ->mismatch));
    if (request.read.other_scanner) return ComparedProof{{}, std::move(notes)};
    return refuse(
        ProblemKind::data,
        notes.back(),
        differ->next + " With --other-scanner the state is entered without a comparison.");
  }
  const auto proof = load_scan(request.proofs.front(), request.read, progress.part(0, 0.3));
  if (!proof) return std::unexpected(proof.error());
  before = std::move(**plan);
  auto compared = compare_proof(
      *last, before, *predictions, plate.size, *proof, request.read, progress.part(0.3, 1));
  compared.notes.insert(compared.notes.begin(), differ->notes.begin(), differ->notes.end());
  return compared;
}

// The batch of a wedge; empty: not found.
Result<std::string> batch_of_wedge(book::Book& book, book::Id wedge) {
  const auto found = book.wedge(wedge);
  const auto all = book.batches();
  if (!found) return std::unexpected(found.error());
  if (!all) return std::unexpected(all.error());
  for (const auto& batch : *all) {
    if (*found && (*found)->batch == batch.id) return batch.name;
  }
  return std::string();
}

}  // namespace

Result<StateEntered> enter_state(book::Book& book,
                                 const StateRequest& request,
                                 const Progress& progress) {
  return guarded("Recording the state", [&]() -> Result<StateEntered> {
    const auto plate = book.plate(request.plate);
    if (!plate) return std::unexpected(plate.error());
    const auto last = book.last_state(plate->id);
    if (!last) return std::unexpected(last.error());
    book::State state = request.state;
    state.plate = plate->id;
    if (state.number == 0) state.number = *last ? (*last)->number + 1 : 1;
    for (const auto& file : request.proofs) {
      auto record = scan_record(file);
      if (!record) return std::unexpected(record.error());
      state.proofs.push_back(std::move(*record));
    }
    if (!request.drawing.empty()) {
      auto record = scan_record(request.drawing);
      if (!record) return std::unexpected(record.error());
      state.drawing = std::move(*record);
    }
    book::PlanRecord before;
    ComparedProof compared;
    if (*last && state.number > (*last)->number) {
      auto done = compared_with_last_plan(book, *plate, *last, request, before, progress);
      if (!done) return std::unexpected(done.error());
      compared = std::move(*done);
    }
    if (progress.stopped()) return stopped_by_user();
    const auto id = book.add_state(state, compared.reached);
    if (!id) return std::unexpected(id.error());

    StateEntered entered{state.number,
                         static_cast<int>(compared.reached.size()),
                         0,
                         {},
                         1,
                         1,
                         0,
                         std::move(compared.notes)};
    for (const auto& p : compared.reached) {
      entered.mean_off += (*p.reached - p.predicted) / entered.regions_compared;
    }
    if (compared.reached.empty() || !before.wedge) return entered;
    const auto batch = batch_of_wedge(book, before.wedge);
    if (!batch) return std::unexpected(batch.error());
    const auto story = batch_story(book, *batch, state.date);
    if (!story) return std::unexpected(story.error());
    entered.batch = *batch;
    entered.speed_before = before.speed;
    entered.speed = story->history.speed, entered.speed_ln_sd = story->history.ln_sd;
    entered.notes.insert(
        entered.notes.end(), story->history.notes.begin(), story->history.notes.end());
    return entered;
  });
}

Result<book::Id> enter_ground(book::Book& book, const BookGround& ground) {
  return book.add_ground(ground);
}

Result<BookList> list_book(book::Book& book) {
  auto plates = book.plates();
  if (!plates) return std::unexpected(plates.error());
  auto batches = book.batches();
  if (!batches) return std::unexpected(batches.error());
  auto grounds = book.grounds();
  if (!grounds) return std::unexpected(grounds.error());
  return BookList{std::move(*plates), std::move(*batches), std::move(*grounds)};
}

Result<std::vector<BatchStory>> batches_of(book::Book& book, const book::Story& story) {
  const auto all = book.batches();
  if (!all) return std::unexpected(all.error());
  std::vector<BatchStory> stories;
  for (const auto& batch : *all) {
    const auto wedges = book.wedges(batch.id);
    if (!wedges) return std::unexpected(wedges.error());
    bool used = false;
    for (const auto& wedge : *wedges) {
      for (const auto& plan : story.plans) used |= plan.wedge == wedge.id;
    }
    if (!used) continue;
    auto one = batch_story(book, batch.name, "");
    if (!one) return std::unexpected(one.error());
    stories.push_back(std::move(*one));
  }
  return stories;
}

Result<BatchStory> enter_or_show_batch(book::Book& book,
                                       const std::string& name,
                                       const book::MordantBatch& known,
                                       const std::string& next_date) {
  return guarded("Looking at the batch", [&]() -> Result<BatchStory> {
    if (auto ok = check_day(known.mixed_on, "the bath was mixed"); !ok) {
      return std::unexpected(ok.error());
    }
    std::string named = name;
    const auto entered = book.together([&]() -> Result<void> {
      std::error_code error;
      if (fs::is_regular_file(name, error)) {
        const auto entry = enter_batch(book, name);
        if (!entry) return std::unexpected(entry.error());
        const auto all = book.batches();
        if (!all) return std::unexpected(all.error());
        for (const auto& b : *all) {
          if (b.id == entry->batch) named = b.name;
        }
      }
      auto batch = book.batch(named);
      if (!batch) return std::unexpected(batch.error());
      book::MordantBatch filled = known;
      filled.id = batch->id;
      return book.complete_batch(filled);
    });
    if (!entered) return std::unexpected(entered.error());
    return batch_story(book, named, next_date);
  });
}

namespace {

fs::path reached_beside(const fs::path& file) {
  fs::path beside = file;
  return beside.replace_filename(file.stem().string() + "-reached.svg");
}

// Also what keeps a wedge's curve or the book from being replaced by a slip of the hand.
Result<void> ends_with(const fs::path& file, std::string_view ending) {
  if (ending_of(file) == ending) return {};
  return refuse(ProblemKind::usage,
                fmt::format("{}: does not end with {}", files::shown(file), ending),
                "Give the output a name of that kind.");
}

}  // namespace

Result<void> batch_can_be_drawn(const fs::path& file) {
  if (auto ok = ends_with(file, ".svg"); !ok) return ok;
  for (const auto& output : {file, reached_beside(file)}) {
    if (auto ok = output_can_be_written(output); !ok) return ok;
  }
  return {};
}

Result<void> draw_batch(const BatchStory& story, const fs::path& file) {
  if (auto ok = files::write_atomically(file, drift_svg(story.history, story.batch.name)); !ok) {
    return ok;
  }
  return files::write_atomically(reached_beside(file),
                                 reached_svg(story.history, story.batch.name));
}

Result<book::Story> plate_story(book::Book& book, const std::string& title, bool with_pictures) {
  const auto plate = book.plate(title);
  if (!plate) return std::unexpected(plate.error());
  return book.story(plate->id, with_pictures);
}

Result<void> write_story_html(book::Book& book, const book::Story& story, const fs::path& file) {
  return guarded("Writing the story", [&]() -> Result<void> {
    if (auto ok = ends_with(file, ".html"); !ok) return ok;
    const auto batches = batches_of(book, story);
    if (!batches) return std::unexpected(batches.error());
    return files::write_atomically(file, story_html(story, *batches));
  });
}

Result<CheckReport> check_book(book::Book& book, const Progress& progress) {
  return guarded("Checking the book", [&]() -> Result<CheckReport> {
    CheckReport report;
    auto damage = book.check();
    if (!damage) return std::unexpected(damage.error());
    report.damage = std::move(*damage);
    const auto scans = book.scans();
    if (!scans) {
      report.damage.push_back({"scans", scans.error().what});
      return report;
    }
    std::map<std::pair<std::string, std::string>, std::int64_t> different;
    for (const auto& scan : *scans) different[{scan.path, scan.sha256}] = scan.bytes;
    int done = 0;
    for (const auto& [key, bytes] : different) {
      if (progress.stopped()) return stopped_by_user();
      const auto& [path, sha] = key;
      progress.at(static_cast<double>(done++) / static_cast<double>(different.size()),
                  "looking at the scans");
      ++report.scans_looked_at;
      std::error_code error;
      const fs::path file(path);
      if (!fs::is_regular_file(file, error)) {
        report.scans.push_back(fmt::format("{}: is gone", files::shown(file)));
      } else if (static_cast<std::int64_t>(fs::file_size(file, error)) != bytes ||
                 files::sha256_of_file(file).value_or("") != sha) {
        report.scans.push_back(
            fmt::format("{}: is not the file that was recorded", files::shown(file)));
      }
    }
    return report;
  });
}

Result<void> export_book(book::Book& book, const fs::path& folder) {
  return guarded("Exporting the book", [&]() -> Result<void> {
    if (auto ok = output_can_be_written(folder); !ok) return ok;
    const auto files = book.export_files();
    if (!files) return std::unexpected(files.error());
    return files::write_folder(folder, *files);
  });
}

Result<void> import_book(book::Book& book, const fs::path& folder) {
  return guarded("Importing the book", [&]() -> Result<void> {
    std::error_code error;
    if (!fs::is_directory(folder, error)) {
      return refuse(ProblemKind::no_input,
                    fmt::format("{}: is no folder", files::shown(folder)),
                    "Name a folder that rebite book export wrote.");
    }
    book::Book::Files files;
    for (const fs::path& path : files::paths_in(folder, error)) {
      if (!fs::is_regular_file(path, error)) continue;
      auto bytes = files::read_bytes(path, std::size_t{512} << 20);
      if (!bytes) return std::unexpected(bytes.error());
      files.emplace_back(path.filename().string(), std::move(*bytes));
    }
    return book.import_files(files);
  });
}

}  // namespace rebite::jobs

#include "jobs/studio.h"

#include <fcntl.h>
#include <fmt/format.h>
#include <signal.h>
#include <sys/file.h>
#include <unistd.h>

#include <algorithm>
#include <cerrno>
#include <chrono>
#include <cstdio>
#include <nlohmann/json.hpp>

#include "files/files.h"
#include "files/put_whole.h"
#include "jobs/calibrate.h"
#include "jobs/from_book.h"
#include "jobs/guard.h"
#include "jobs/kept_plan.h"
#include "jobs/scanner_match.h"
#include "scan/read_scan.h"
#include "units/parse.h"

namespace rebite::jobs {
namespace fs = std::filesystem;
namespace {
using Json = nlohmann::ordered_json;

// A batch's file in the studio's folder is named by the book's number of its wedge.
Result<fs::path> batch_file(const Studio& studio, book::Book& book, book::Id batch) {
  const auto wedges = book.wedges(batch);
  if (!wedges) return std::unexpected(wedges.error());
  if (wedges->empty()) {
    return refuse(ProblemKind::data, "that batch has no wedge in the book", "Bite a wedge first.");
  }
  fs::path file = studio.batches() / fmt::format("{}.batch.json", wedges->back().id);
  if (auto ok = files::write_atomically(file, wedges->back().text); !ok) {
    return std::unexpected(ok.error());
  }
  return file;
}

// A scan under a name that stays: one that was waiting gets a second name among the studio's scans,
// which goes again unless `keep` is called.
class ScanToKeep {
 public:
  ScanToKeep(const Studio& studio, const fs::path& file) : path_(file) {
    if (file.parent_path() != studio.waiting()) return;
    path_ = studio.uploads() / file.filename();
    std::error_code failed;
    fs::create_hard_link(file, path_, failed);
    made_ = !failed;
    if (!failed || fs::exists(path_)) return;
    made_ = true;  // half a copy goes again too
    fs::copy_file(file, path_, failed);
  }
  ~ScanToKeep() {
    std::error_code ignored;
    if (made_) fs::remove(path_, ignored);
  }
  ScanToKeep(const ScanToKeep&) = delete;
  ScanToKeep& operator=(const ScanToKeep&) = delete;
  const fs::path& path() const { return path_; }
  void keep() { made_ = false; }

 private:
  fs::path path_;
  bool made_ = false;
};

}  // namespace

Studio Studio::beside(const fs::path& book) {
  fs::path folder = book;
  folder.replace_extension();
  folder += "-studio";
  return {book, folder};
}

Result<void> Studio::make_folders() const {
  return guarded("Making the studio's folder", [&]() -> Result<void> {
    for (const auto& f : {folder, uploads(), waiting(), plans(), batches(), scanners()}) {
      std::error_code failed;
      fs::create_directories(f, failed);
      if (failed) {
        return refuse(ProblemKind::cannot_create,
                      fmt::format("{}: cannot be made ({})", files::shown(f), failed.message()),
                      "Choose a book in a folder that you may write to, with --book.");
      }
    }
    fs::permissions(folder, fs::perms::owner_all, fs::perm_options::replace);
    return {};
  });
}

namespace {

// Folders "new-PID-..." of programs that are no more: they were killed over a wedge or a plan. A
// number says nothing of a program in another container or machine on the same folder, so only what
// nothing was added to for a day goes.
void sweep_unfinished(const fs::path& folder) {
  std::error_code failed;
  for (const fs::path& path : files::paths_in(folder, failed)) {
    int pid = 0;
    if (std::sscanf(path.filename().c_str(), "new-%d-", &pid) != 1 || pid <= 0) continue;
    const auto changed = fs::last_write_time(path, failed);
    if (failed || fs::file_time_type::clock::now() - changed < std::chrono::days(1)) continue;
    if (::kill(pid, 0) != 0 && errno == ESRCH) fs::remove_all(path, failed);
  }
}

}  // namespace

AtWork::AtWork(const Studio& studio) {
  sweep_unfinished(studio.plans());
  sweep_unfinished(studio.batches());
  sweep_unfinished(studio.scanners());
  fd_ = ::open((studio.folder / "in-use").c_str(), O_RDWR | O_CREAT | O_CLOEXEC, 0600);
  if (fd_ < 0) return;
  if (::flock(fd_, LOCK_EX | LOCK_NB) == 0) {
    std::error_code failed;
    for (const fs::path& path : files::paths_in(studio.waiting(), failed)) {
      if (fs::is_regular_file(path, failed)) fs::remove(path, failed);
    }
  }
  ::flock(fd_, LOCK_SH | LOCK_NB);
}

AtWork::~AtWork() {
  if (fd_ >= 0) ::close(fd_);
}

Result<fs::path> write_door(const Studio& studio, const std::string& address) {
  const fs::path door = studio.folder / "open-page.html";
  const std::string text = fmt::format(
      "<!doctype html><meta charset=\"utf-8\"><meta name=\"referrer\" content=\"no-referrer\">"
      "<meta http-equiv=\"refresh\" content=\"0; url={0}\"><title>Rebite</title>"
      "<a href=\"{0}\">Open Rebite's page</a>\n",
      address);
  if (auto ok = files::write_atomically(door, text); !ok) return std::unexpected(ok.error());
  std::error_code failed;
  fs::permissions(door, fs::perms::owner_read | fs::perms::owner_write, failed);
  return fs::absolute(door);
}

Result<std::string> upload_json(const fs::path& file) {
  return guarded("Looking at the scan", [&]() -> Result<std::string> {
    const auto info = scan::read_scan_info(file);
    if (!info) return std::unexpected(info.error());
    Json j{{"width", info->width_px},
           {"height", info->height_px},
           {"bits", info->bits},
           {"format", info->format}};
    if (info->x) j["dpi"] = std::lround(info->x->dpi());
    return text_of(j);
  });
}

Result<std::string> new_batch(const Studio& studio, WedgeRequest wedge, const Progress& progress) {
  return guarded("Measuring the wedge", [&]() -> Result<std::string> {
    if (auto ok = fits_as_file_name(
            wedge.name, "batch", "Call it by mordant and month, like 'ferric november'.");
        !ok) {
      return std::unexpected(ok.error());
    }
    const auto scanner = scanner_file(studio, wedge.scanner);
    if (!scanner) return std::unexpected(scanner.error());
    auto times = parse_times(wedge.times);
    if (times && wedge.dips) times = totals_of_dips(*times);
    if (!times) return std::unexpected(times.error());
    BatchRequest request;
    request.scans = wedge.scans;
    request.times = *times;
    request.mordant = wedge.mordant, request.strength = wedge.strength;
    request.metal = wedge.metal, request.ground = wedge.ground;
    request.bitten_on = wedge.date;
    request.read.dpi = wedge.dpi;
    request.read.scanner = *scanner;
    if (!wedge.temperature.empty()) {
      const auto t = parse_temperature(wedge.temperature);
      if (!t) return std::unexpected(t.error());
      request.temperature = *t;
    }
    // The name in the file is the file's: a folder of its own keeps two measurements apart.
    const files::UnpublishedFolder own(studio.batches());
    if (auto ok = own.make(); !ok) return std::unexpected(ok.error());
    request.out = own.path() / (wedge.name + ".batch.json");
    if (const auto batch = calibrate_batch(request, progress); !batch)
      return std::unexpected(batch.error());
    auto book = book::Book::open(studio.book, book::Book::Access::make);
    if (!book) return std::unexpected(book.error());
    const auto entry = enter_batch(*book, request.out);
    if (!entry) return std::unexpected(entry.error());
    return text_of({{"batch", entry->batch}});
  });
}

Result<PlanReport> plan_and_keep(const Studio& studio,
                                 PlanRequest request,
                                 const Progress& progress) {
  sweep_unfinished(studio.plans());
  const files::UnpublishedFolder fresh(studio.plans());
  if (auto ok = fresh.make(); !ok) return std::unexpected(ok.error());
  const bool sheets_apart = !request.out.empty();
  if (!sheets_apart) request.out = fresh.path() / "sheets";
  auto report = plan_state(
      request, progress, [&](const auto& sources, const auto& content, const auto& part) {
        return keep_plan(fresh.path(), request, sources, content, part);
      });
  if (!report) return std::unexpected(report.error());
  auto& entry = *report->recorded;
  const fs::path folder = studio.plans() / fmt::format("{}", entry.plan);
  if (auto ok = files::put_whole_folder(fresh.path(), folder); !ok) {
    entry.not_kept = Problem{ok.error().kind,
                             fmt::format("plan {} is in the book{} not kept: {}",
                                         entry.plan,
                                         sheets_apart ? " and its sheets are written, but what the "
                                                        "page changes it by was"
                                                      : ", but its sheets were",
                                         ok.error().what),
                             "To change it on the page, free some space on that disk and plan the "
                             "state again from its scans."};
  }
  return std::move(*report);
}

Result<PlanReport> plan_on_record(const PlanRequest& request, const Progress& progress) {
  // The page's list of changes knows nothing of an edit file: such a plan is changed by its file.
  if (request.record.empty() || !request.edit.empty()) return plan_state(request, progress);
  return guarded("Planning", [&]() -> Result<PlanReport> {
    const Studio studio = Studio::beside(request.book);
    if (auto ok = studio.make_folders(); !ok) return std::unexpected(ok.error());
    auto report = plan_and_keep(studio, request, progress);
    if (report && report->recorded->not_kept) return std::unexpected(*report->recorded->not_kept);
    return report;
  });
}

namespace {

// The curve to read a new state's scans with: what was chosen, else the wedge's own.
Result<fs::path> scanner_for(const Studio& studio, const fs::path& batch, const NewState& s) {
  std::optional<wedge::Batch> wedge;
  if (!batch.empty()) {
    auto loaded = load_batch(batch);
    if (!loaded) return std::unexpected(loaded.error());
    wedge = std::move(*loaded);
  }
  if (!s.scanner) {
    if (!wedge || wedge->scanner.curve.empty()) return fs::path();
    if (const auto own = scanner_of(studio, *wedge)) return own->file;
    return refuse(ProblemKind::data,
                  fmt::format("the wedge of batch {} was read with the scanner curve {}, which is "
                              "not kept here",
                              wedge->name,
                              wedge->scanner.curve),
                  "Hand in its file under 'Scanner', then make the plan.");
  }
  auto chosen = scanner_file(studio, *s.scanner);
  if (!chosen || !wedge || s.other_scanner) return chosen;
  const auto differ = scanner_mismatch(*wedge, *chosen, "the proof and the drawing are to be read");
  if (!differ) return std::unexpected(differ.error());
  if (!*differ) return chosen;
  return refuse(ProblemKind::data,
                wrong_minutes(**differ),
                "Choose the wedge's own curve, or measure the wedge again. If each was read as its "
                "own scanner needs it, say so below the curve.");
}

}  // namespace

Result<std::string> new_state(const Studio& studio,
                              const NewState& state,
                              const Progress& progress) {
  return guarded("Planning", [&]() -> Result<std::string> {
    PlanRequest request;
    ScanToKeep proof(studio, state.proof), drawing(studio, state.drawing);
    request.proof = proof.path(), request.drawing = drawing.path();
    request.title = request.record = state.plate;
    request.book = studio.book;
    request.made_on = state.made_on;
    request.read.dpi = state.dpi;
    request.options.ground = state.kept_ground ? plan::Ground::kept : plan::Ground::fresh;
    if (state.plate.empty() || state.plate.size() > 200) {
      return refuse(ProblemKind::usage, "the plate needs a name", "Type what you call it.");
    }
    if (!state.temperature.empty()) {
      const auto t = parse_temperature(state.temperature);
      if (!t) return std::unexpected(t.error());
      request.options.temperature = *t;
    }
    {
      auto book = opened(studio);
      if (!book) return std::unexpected(book.error());
      if (state.size.empty()) {
        const auto plate = book->plate(state.plate);
        if (!plate) {
          return refuse(ProblemKind::usage,
                        fmt::format("the size of '{}' is not known yet", state.plate),
                        "Type the metal's width and height, like 150x110.");
        }
        request.plate = plate->size;
      } else {
        const auto size = parse_size(state.size);
        if (!size) return std::unexpected(size.error());
        request.plate = *size;
      }
      if (state.batch) {
        auto file = batch_file(studio, *book, state.batch);
        if (!file) return std::unexpected(file.error());
        request.batch = *file;
      }
      auto curve = scanner_for(studio, request.batch, state);
      if (!curve) return std::unexpected(curve.error());
      request.read.scanner = std::move(*curve);
      request.read.other_scanner = state.other_scanner;
    }
    const auto done = plan_and_keep(studio, request, progress);
    if (!done) return std::unexpected(done.error());
    proof.keep(), drawing.keep();
    const auto& entry = *done->recorded;
    if (entry.not_kept) return std::unexpected(*entry.not_kept);
    return text_of({{"plate", entry.plate}, {"state", entry.state_number}, {"plan", entry.plan}});
  });
}

}  // namespace rebite::jobs

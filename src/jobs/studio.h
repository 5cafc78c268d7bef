// The studio as the page sees it: the record book, and beside it a folder of its own for the scans
// that were handed in, batch files and kept plans. All answers are JSON for the page unless said
// otherwise; no answer holds a path.
#pragma once

#include <filesystem>
#include <optional>
#include <string>
#include <vector>

#include "jobs/book_jobs.h"
#include "jobs/plan_state.h"

namespace rebite::jobs {

struct Studio {
  std::filesystem::path book, folder;

  // "NAME.sqlite" -> "NAME-studio" beside it. The folder and what is in it are the user's alone.
  static Studio beside(const std::filesystem::path& book);
  Result<void> make_folders() const;
  // Scans that states of the book point to, and those that were only handed in so far.
  std::filesystem::path uploads() const { return folder / "scans"; }
  std::filesystem::path waiting() const { return folder / "waiting"; }
  std::filesystem::path plans() const { return folder / "plans"; }
  std::filesystem::path batches() const { return folder / "batches"; }
};

// A page at work in a studio, as long as this lives. The first one to come removes scans that an
// earlier page left waiting.
class AtWork {
 public:
  explicit AtWork(const Studio& studio);
  ~AtWork();
  AtWork(const AtWork&) = delete;
  AtWork& operator=(const AtWork&) = delete;

 private:
  int fd_ = -1;
};

// A page of a file that only this user can read and that leads on to an address: so that the
// address need not stand on a command line.
Result<std::filesystem::path> write_door(const Studio& studio, const std::string& address);

// What an uploaded file is, from its head: {"width","height","dpi","bits","format"}. Refuses (data)
// what is no scan or has more than 250 megapixels.
Result<std::string> upload_json(const std::filesystem::path& file);

// {"plates":[..],"batches":[..]}: each plate with its last state and what comes next.
Result<std::string> book_json(const Studio& studio);
// One plate: its states with plans, bites, lowerings.
Result<std::string> plate_json(const Studio& studio, book::Id plate);
// PNG of a state's proof or drawing; empty text: there is none.
Result<std::string> preview_of(const Studio& studio, book::Id state, bool drawing);

struct WedgeRequest {
  BatchEntry entered;  // filled in
  std::vector<std::filesystem::path> scans;
  std::string times;  // as typed
  bool dips = false;
  std::string name, mordant, strength, temperature, metal, ground, date;
  double dpi = 0;
};
// Measures the wedge, enters the batch; {"batch": name}. A batch's name is one line of at most 60
// characters without a slash.
Result<std::string> new_batch(const Studio& studio, WedgeRequest request, const Progress& progress);
// {"batch":{..},"curve_svg","curve","notes",..}
Result<std::string> batch_page(const Studio& studio, book::Id batch, const std::string& today);

// Plans, records (request.record and book must be set), and keeps what was measured in the studio,
// so that the page can change the plan. An empty request.out: the sheets are kept there too.
struct PlannedAndKept {
  PlanReport report;
  book::Id plate = 0;
  int state = 0;  // number
  book::Id plan = 0;
};
Result<PlannedAndKept> plan_and_keep(const Studio& studio,
                                     PlanRequest request,
                                     const Progress& progress);
// The command line's plan: as plan_and_keep beside its book where it is recorded, so that the page
// can change it; else plan_state.
Result<PlanReport> plan_on_record(const PlanRequest& request, const Progress& progress = {});

struct NewState {
  std::string plate;  // title; made where the book does not have it
  std::string size;   // as typed; empty: the book's
  std::filesystem::path proof, drawing;
  book::Id batch = 0;  // 0: without a wedge
  bool kept_ground = false;
  std::string temperature;  // as typed; empty: as the wedge's
  double dpi = 0;
  std::string made_on;  // ISO
};
// Plans and records; {"plate": id, "state": number, "plan": id}. Scans that were waiting are kept
// with the studio's scans once they are in the book.
Result<std::string> new_state(const Studio& studio, const NewState& request, const Progress&);

}  // namespace rebite::jobs

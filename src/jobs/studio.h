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
  std::filesystem::path scanners() const { return folder / "scanners"; }
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

// The scanner curves of a studio: scanners/NUMBER/NAME.scanner.json. What is kept is never changed,
// so that a batch and a plan find theirs again.
struct KeptScanner {
  int id = 0;
  std::string name, sha256;
  std::filesystem::path file;
};
// By number; what cannot be read is left out.
std::vector<KeptScanner> kept_scanners(const Studio& studio);
// The one that a batch was read with; empty: none, or it is not kept here.
std::optional<KeptScanner> scanner_of(const std::vector<KeptScanner>& kept,
                                      const wedge::Batch& batch);
std::optional<KeptScanner> scanner_of(const Studio& studio, const wedge::Batch& batch);
struct NewScanner {
  std::filesystem::path scan;  // of a grey scale
  std::string name;            // one line of at most 60 characters (200 bytes), no slash
  std::string densities;       // as typed, or a published scale's name
  double dpi = 0;
};
// Both answer {"scanner": number}; a file that is kept already is not kept twice.
Result<std::string> new_scanner(const Studio& studio, const NewScanner& request);
Result<std::string> take_scanner(const Studio& studio,
                                 const std::string& name,
                                 const std::string& text);
// {"scanners":[{"id","name"}],"scales":[names of published grey scales]}
Result<std::string> scanners_json(const Studio& studio);
// {"id","name","sha256","bits","residual_sd","channels","curve_svg","patches":[{"density","residual"}],
// "notes"}
Result<std::string> scanner_page(const Studio& studio, int id);

// {"plates":[..],"batches":[..],"scanners":[..]}: each plate with its last state and what comes
// next; each batch with the curve that its wedge was read with.
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
  int scanner = 0;  // kept curve to read the wedge with; 0: none
};
// Measures the wedge, enters the batch; {"batch": name}. A batch's name is one line of at most 60
// characters (200 bytes) without a slash.
Result<std::string> new_batch(const Studio& studio, WedgeRequest wedge, const Progress& progress);
// {"batch":{..},"curve_svg","curve","notes",..}
Result<std::string> batch_page(const Studio& studio, book::Id id, const std::string& today);

// Plans, records (request.record and book must be set), and keeps what was measured in the studio,
// so that the page can change the plan. An empty request.out: the sheets are kept there too. What
// was recorded stays so: where only the keeping fails after it, recorded->not_kept says why.
Result<PlanReport> plan_and_keep(const Studio& studio,
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
  // Kept curve to read the scans with, 0: none. Empty: as the batch's wedge was read.
  std::optional<int> scanner;
  bool other_scanner = false;  // otherwise than the wedge, and that is meant
  std::string made_on;         // ISO
};
// Plans and records; {"plate": id, "state": number, "plan": id}. Scans that were waiting are kept
// with the studio's scans once they are in the book.
Result<std::string> new_state(const Studio& studio, const NewState& state, const Progress&);

}  // namespace rebite::jobs

// The record book: one SQLite file that remembers every plate, batch, state, bite and prediction.
//
// Journal DELETE and synchronous FULL: what was acknowledged is on the disk (a write-ahead log
// needs shared memory and fails on network shares). Every writing call is one BEGIN IMMEDIATE
// transaction: all of it or nothing, also when the program is killed. Nothing is ever deleted. Two
// processes may use one book; each waits up to 5 seconds for the other.
//
// All calls answer with a Problem where the user, the disk or a damaged file is at fault.
#pragma once

#include <filesystem>
#include <functional>
#include <memory>
#include <string>
#include <utility>
#include <vector>

#include "book/records.h"
#include "units/problem.h"

namespace rebite::book {

class Store;

struct Damage {
  std::string where;  // "states, row 3"
  std::string what;
};

class Book {
 public:
  // make: a new book where there is none (and an older book is brought up to date);
  // write: there must be one; read: nothing is written, not even an older version brought up.
  enum class Access { make, write, read };
  // Refuses: no file (no_input), no record book or a newer one or a damaged one (data), a folder
  // that may not be written (cannot_create). `read` does not look through the whole file first: what
  // is damaged is told where it is read, and by check().
  // Before an older book is brought up to date a copy is made beside it (FILE.version-N).
  static Result<Book> open(const std::filesystem::path& file, Access access);
  Book(Book&&) noexcept;
  Book& operator=(Book&&) noexcept;
  ~Book();

  const std::filesystem::path& file() const;
  int version() const;

  // All that `work` writes into this book is one transaction: what it refuses leaves nothing behind.
  // It must refuse where one of its entries was refused, and should do nothing slow: others wait.
  Result<void> together(const std::function<Result<void>()>& work);
  // Each returns the new entry's id.
  Result<Id> add_plate(const Plate&);
  Result<Id> add_batch(const MordantBatch&);
  // Fills what is not known yet (mordant, strength, mixed_on, volume).
  Result<void> complete_batch(const MordantBatch&);
  // A ground that is there (same name) gets the note, where one is given.
  Result<Id> add_ground(const GroundRecord&);
  // A wedge that the batch already has (same text) is not entered twice.
  Result<Id> add_wedge(const WedgeRecord&);
  // `reached`: what its proof showed of the plan before, as in Planned.
  Result<Id> add_state(const State&, const std::vector<Prediction>& reached = {});
  Result<Id> add_bite(const Bite&);
  Result<Id> add_lowering(const Lowering&);
  // The entry stays, and no longer counts. Refuses (data) one that is struck out already or is not
  // in the book.
  Result<void> strike_bite(Id bite, const StruckOut&);
  Result<void> strike_lowering(Id lowering, const StruckOut&);
  // A state, its plan with all predictions, and what its proof showed of the plan before, as one
  // transaction. `state.id` set: the plan is added to that state. `reached` holds predictions of an
  // earlier plan with reached, reached_sd set; reached_state is filled in here.
  struct Planned {
    State state;
    PlanRecord plan;
    std::vector<Prediction> predictions;
    std::vector<Prediction> reached;
  };
  Result<std::pair<Id, Id>> add_planned(const Planned&);  // state, plan

  // A plan changed by hand becomes the state's current plan. Refuses (data) when `edit.from` is not
  // the current plan any more (another window changed it meanwhile). An empty picture of `plan`
  // means: as in the plan it was made from. Ids of `edit.plan`, `plan.id` and `plan.state` are
  // filled in here. Returns the new plan's id.
  Result<Id> add_edit(const PlanEdit& edit,
                      const PlanRecord& plan,
                      const std::vector<Prediction>& predictions);
  // One step back towards the original, or forward to the change last made of the current plan.
  // Return the plan that is current now; refuse (data) when there is none to go to.
  Result<Id> undo_edit(Id state);
  Result<Id> redo_edit(Id state);
  // Every change ever made to the state's plans, in the order they were made.
  Result<std::vector<PlanEdit>> edits(Id state);
  // The plan that counts: where undo and redo left it, else the last one made. Whole, with picture.
  Result<std::optional<PlanRecord>> current_plan(Id state);
  Result<std::optional<PlanRecord>> plan(Id plan);

  // The bath clock. Moments before the clock's last event (a wall clock set back) count as that
  // event. Refused (data): a second clock for a state while one is running; an event that does not
  // fit (pausing a paused clock, anything after the end).
  Result<Id> start_clock(const BathClock& clock);  // pauses, ended and bite are ignored
  Result<void> pause_clock(Id clock, WallMs at);
  Result<void> resume_clock(Id clock, WallMs at);
  // Counts from then on; what was bitten before stays at the temperature before.
  Result<void> read_temperature(Id clock, WallMs at, std::optional<double> celsius);
  // Ends the clock and records the bite with the minutes really taken and the mean of the known
  // temperatures over them, as one transaction; returns the bite. `done_on`: ISO date, may be
  // empty.
  Result<Id> pull(Id clock, WallMs at, const std::string& done_on, const std::string& note);
  // Ends the clock without a bite (started by mistake, or the plate never was in the bath).
  Result<void> call_off_clock(Id clock, WallMs at, const std::string& note);
  Result<std::vector<BathClock>> running_clocks();
  Result<std::vector<BathClock>> clocks(Id state);

  Result<std::vector<PlateLine>> plates();
  // Capitals and spaces at the ends do not count where no title is exactly so. Refuses (data) a
  // title that is not in the book, naming those that are.
  Result<Plate> plate(const std::string& title);
  Result<std::vector<MordantBatch>> batches();
  Result<MordantBatch> batch(const std::string& name);
  Result<std::vector<GroundRecord>> grounds();
  Result<std::vector<WedgeRecord>> wedges(Id batch);
  Result<std::optional<WedgeRecord>> wedge(Id wedge);
  Result<std::optional<State>> last_state(Id plate);
  Result<std::optional<State>> state(Id plate, int number);
  // By its own number: without its pictures, its plate, and all its bites.
  Result<std::optional<State>> state(Id id);
  Result<std::optional<Plate>> plate(Id id);
  Result<std::vector<Bite>> bites(Id state);
  // The picture of a state's first proof or of its drawing; empty: there is none.
  Result<std::string> preview(Id state, bool drawing);
  Result<std::optional<PlanRecord>> last_plan(Id plate);  // whole, with picture
  Result<std::vector<Prediction>> predictions(Id plan);
  Result<Story> story(Id plate, bool with_pictures);
  // Every use of a batch in order of the states' dates; only each state's current plan counts.
  Result<std::vector<BatchUse>> uses(Id batch);

  // Structure (SQLite's integrity_check, foreign keys) and the seal of every row.
  Result<std::vector<Damage>> check();
  // Every scan that the book knows.
  Result<std::vector<ScanRecord>> scans();
  // A copy while the book is in use (SQLite's online backup), complete or not at all. Refuses
  // (usage) to write over the book itself or over a file that is there.
  Result<void> copy_to(const std::filesystem::path& file);

  // Everything as files: "book.json" and the long texts and pictures beside it. Same book, same
  // bytes.
  using Files = std::vector<std::pair<std::string, std::string>>;
  Result<Files> export_files();
  // Into an empty book only; one transaction. Exports of older books too.
  Result<void> import_files(const Files&);

 private:
  explicit Book(std::unique_ptr<Store> store);
  std::unique_ptr<Store> store_;
};

}  // namespace rebite::book

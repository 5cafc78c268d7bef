// `rebite plan --record PLATE`: what the new proof says of the plan before, the speed learned from
// it, and the entry of state and plan once the folder is written.
#pragma once

#include <memory>

#include "book/book.h"
#include "files/files.h"
#include "jobs/plan_state.h"

namespace rebite::jobs {

// What a plan promises of each region, as the book keeps it.
std::vector<book::Prediction> predictions_of(const plan::BitePlan& plan);

class PlanRecorder {
 public:
  // Opens (or makes) the book of the request and finds the plate's last plan. Nothing is written.
  static Result<PlanRecorder> begin(const PlanRequest& request);

  // The new proof against the last plan (compare_proof), and the speed learned so far.
  // Sets options.speed and speed_sd; says by how much the speed moved.
  Result<void> look(const scan::DensityImage& proof,
                    const wedge::Batch* batch,
                    plan::PlanOptions& options,
                    Notes& notes,
                    const Progress& progress = {});

  // All that takes time before the entry: check sums and previews of the scans. Refused (data)
  // where a scan, the batch or the scanner curve is no longer the file that the plan was made of.
  Result<void> prepare(const PlanRequest& request,
                       const sheets::SheetContent& content,
                       const std::string& plan_json,
                       const std::string& regions_png);

  // Enters what was prepared: one transaction; the plate is added where the book does not have it.
  Result<PlanReport::Recorded> write(const PlanRequest& request,
                                     const sheets::SheetContent& content);

 private:
  PlanRecorder(book::Book book, std::string today)
      : book_(std::move(book)), today_(std::move(today)) {}
  // A file that the plan is made of, as it was at the start.
  struct ReadFrom {
    std::filesystem::path file;
    files::Stamp stamp;
    std::string sha256;
  };
  Result<void> same_size(const PlanRequest& request) const;
  Result<void> find_last(const PlanRequest& request);
  const std::string& sha256_of(const std::filesystem::path& file) const;
  Result<void> nothing_changed() const;
  Result<book::State> state_of(const PlanRequest& request) const;
  Result<PlanReport::Recorded> enter(const PlanRequest& request,
                                     const sheets::SheetContent& content);

  book::Book book_;
  std::string today_;  // ISO date
  std::optional<book::Plate> plate_;
  std::optional<book::State> same_state_;  // this very proof is recorded already: planned again
  int next_number_ = 1;
  ScanChoice read_;
  std::string record_;  // the plate's name as it was given
  std::optional<book::State> state_before_;
  std::optional<book::PlanRecord> before_;  // of that state
  std::vector<book::Prediction> predicted_;
  std::vector<book::Prediction> reached_;
  double speed_ = 1, speed_sd_ = 0;
  std::vector<ReadFrom> read_from_;
  book::Book::Planned planned_;
  std::string batch_text_;
};

}  // namespace rebite::jobs

// `rebite plan --record PLATE`: what the new proof says of the plan before, the speed learned from
// it, and the entry of state and plan once the folder is written.
#pragma once

#include <memory>

#include "book/book.h"
#include "jobs/plan_state.h"

namespace rebite::jobs {

class PlanRecorder {
 public:
  // Opens (or makes) the book of the request and finds the plate's last plan. Nothing is written.
  static Result<PlanRecorder> begin(const PlanRequest& request);

  // The new proof in the plate's frame: its tone in every region of the last plan (inside a border
  // of 1 mm, where alignment and stop-out edge are not sure), and the speed learned so far.
  // Sets options.speed and speed_sd; says by how much the speed moved.
  Result<void> look(const cv::Mat1f& proof,
                    const align::PlateGrid& grid,
                    const wedge::Batch* batch,
                    plan::PlanOptions& options,
                    Notes& notes);

  // One transaction; the plate is added where the book does not have it.
  Result<void> write(const PlanRequest& request,
                     const sheets::SheetContent& content,
                     const std::string& plan_json,
                     const std::string& regions_png);

 private:
  PlanRecorder(book::Book book, std::string today)
      : book_(std::move(book)), today_(std::move(today)) {}

  book::Book book_;
  std::string today_;  // ISO date
  std::optional<book::Plate> plate_;
  std::optional<book::State> same_state_;  // this very proof is recorded already: planned again
  int next_number_ = 1;
  std::optional<book::PlanRecord> before_;
  std::vector<book::Prediction> predicted_;
  std::vector<book::Prediction> reached_;
  double speed_ = 1, speed_sd_ = 0;
};

}  // namespace rebite::jobs

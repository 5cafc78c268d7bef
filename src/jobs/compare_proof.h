// A new proof against what the last plan promised: the tone of every region of that plan, read
// where the proof before showed the region.
#pragma once

#include "book/book.h"
#include "jobs/inputs.h"

namespace rebite::jobs {

struct ComparedProof {
  std::vector<book::Prediction> reached;  // of the plan before, with reached and reached_sd
  Notes notes;
};

// `before`: the state that `plan` (whole, with its picture) was made for, with its `predictions`.
// The new proof is laid onto the proof before by what both show, so that paper stretch and a plate
// mark that was found a little off do not count as tone; a border of 1 mm of each region is left
// out, where alignment and stop-out edge are not sure. Nothing is compared, and a note says why,
// when the proof before is gone or changed, or is not of the same plate.
ComparedProof compare_proof(const book::State& before,
                            const book::PlanRecord& plan,
                            const std::vector<book::Prediction>& predictions,
                            SizeMm plate,
                            const scan::DensityImage& proof,
                            const ScanChoice& read,
                            const Progress& progress = {});

}  // namespace rebite::jobs

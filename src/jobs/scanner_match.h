// Are the scans of an errand turned into tone as the wedge was? Else minutes are wrong by a factor.
#pragma once

#include <optional>

#include "book/book.h"
#include "jobs/inputs.h"

namespace rebite::jobs {

// What a batch file says of the curve that its wedge is read with; `curve` empty: of none.
Result<wedge::WedgeScanner> wedge_scanner(const std::filesystem::path& curve);

// In one sentence how `scans` (read with the curve file `curve`, or without one) differ from the
// wedge; empty: they are read alike, or the batch does not say. Another curve counts as different
// whichever way round: curves of two scanners are both right, but so is a curve of the wrong one a
// mistake, and the number of minutes tells neither.
Result<std::optional<std::string>> scanner_mismatch(const wedge::Batch& batch,
                                                    const std::filesystem::path& curve,
                                                    std::string_view scans);

// What such a difference does, in the one sentence that every refusal gives.
std::string wrong_minutes(std::string_view mismatch);

// plan.json as the book keeps it: with "scanner":{"used","name","sha256"} added, which says how the
// plan's own scans were read (`curve` empty: {"used":false}). The form is the batch file's.
Result<std::string> with_scanner(const std::string& plan_json, const std::filesystem::path& curve);

// A new proof against a plan of the book: held against how the plan's own proof was read. Where the
// book does not say that, the plan's wedge stands in for it and `notes` tells so.
struct ReadUnlike {
  std::optional<std::string> mismatch;  // empty: read alike, or nothing is known
  std::string next;                     // what to do about a mismatch
  Notes notes;
};
Result<ReadUnlike> read_unlike_plan(book::Book& book,
                                    const book::PlanRecord& plan,
                                    const ScanChoice& choice);
// The note of a comparison that was left out for that.
std::string not_compared(std::string_view mismatch);

// As scanner_mismatch, refused (data) with what to do; with choice.other_scanner a note instead. A
// batch that does not say gives a note too.
Result<Notes> scanner_fits(const wedge::Batch& batch, const ScanChoice& choice);

}  // namespace rebite::jobs

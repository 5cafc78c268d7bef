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

// The same for a new proof against a plan of the book. Empty where the plan has no wedge.
Result<std::optional<std::string>> read_unlike_plan(book::Book& book,
                                                    const book::PlanRecord& plan,
                                                    const ScanChoice& choice);
// The note of a comparison that was left out for that.
std::string not_compared(std::string_view mismatch);

// As scanner_mismatch, refused (data) with what to do; with choice.other_scanner a note instead. A
// batch that does not say gives a note too.
Result<Notes> scanner_fits(const wedge::Batch& batch, const ScanChoice& choice);

}  // namespace rebite::jobs

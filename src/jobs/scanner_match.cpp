#include "jobs/scanner_match.h"

#include <fmt/format.h>

#include "files/files.h"

namespace rebite::jobs {
namespace {

std::string with(const wedge::WedgeScanner& s) {
  return s.curve.empty()
             ? std::string("without a scanner curve")
             : fmt::format("with the scanner curve {} ({}...)", s.curve, s.sha256.substr(0, 8));
}

}  // namespace

Result<wedge::WedgeScanner> wedge_scanner(const std::filesystem::path& curve) {
  if (curve.empty()) return wedge::WedgeScanner{true, "", ""};
  auto sha = files::sha256_of_file(curve);
  if (!sha) return std::unexpected(sha.error());
  return wedge::WedgeScanner{true, files::shown(curve.filename()), std::move(*sha)};
}

Result<std::optional<std::string>> scanner_mismatch(const wedge::Batch& batch,
                                                    const std::filesystem::path& curve,
                                                    std::string_view scans) {
  if (!batch.scanner.recorded) return std::nullopt;
  const auto own = wedge_scanner(curve);
  if (!own) return std::unexpected(own.error());
  if (own->sha256 == batch.scanner.sha256) return std::nullopt;
  return fmt::format("the wedge of batch {} was read {}, but {} {}",
                     batch.name,
                     with(batch.scanner),
                     scans,
                     with(*own));
}

Result<std::optional<std::string>> read_unlike_plan(book::Book& book,
                                                    const book::PlanRecord& plan,
                                                    const ScanChoice& choice) {
  if (!plan.wedge) return std::nullopt;
  const auto wedge = book.wedge(plan.wedge);
  if (!wedge) return std::unexpected(wedge.error());
  if (!*wedge) return std::nullopt;
  const auto batch = wedge::batch_from_json((*wedge)->text, "the plan's wedge");
  if (!batch) return std::nullopt;  // a damaged book is told of by its check
  return scanner_mismatch(*batch, choice.scanner, "the new proof is read");
}

std::string not_compared(std::string_view mismatch) {
  return fmt::format("The proof was not compared with the plan before: {}.", mismatch);
}

Result<Notes> scanner_fits(const wedge::Batch& batch, const ScanChoice& choice) {
  if (!batch.scanner.recorded) {
    return Notes{
        "The batch file does not say whether its wedge was read with a scanner curve (it is of an "
        "earlier Rebite). Read the proof and the drawing as the wedge was read, else the minutes "
        "are wrong by a factor; in doubt measure the wedge again."};
  }
  const auto differ = scanner_mismatch(batch, choice.scanner, "the proof and the drawing are read");
  if (!differ) return std::unexpected(differ.error());
  if (!*differ) return Notes{};
  if (choice.other_scanner) {
    return Notes{fmt::format("Check this first: {}, as you asked. If both do not give the true "
                             "tones, the minutes are wrong by a factor.",
                             **differ)};
  }
  return refuse(ProblemKind::data,
                fmt::format("{}: the minutes would be wrong by a factor.", **differ),
                batch.scanner.curve.empty()
                    ? "Leave --scanner out, or measure the wedge again with it. If each was read "
                      "as its own scanner needs it, say so with --other-scanner."
                    : fmt::format("Give the same curve: --scanner {}. If each was read as its own "
                                  "scanner needs it, say so with --other-scanner.",
                                  batch.scanner.curve));
}

}  // namespace rebite::jobs

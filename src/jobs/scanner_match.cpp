#include "jobs/scanner_match.h"

#include <fmt/format.h>

#include <algorithm>
#include <nlohmann/json.hpp>

#include "files/files.h"

namespace rebite::jobs {
namespace {

std::string with(const wedge::WedgeScanner& s) {
  return s.curve.empty()
             ? std::string("without a scanner curve")
             : fmt::format("with the scanner curve '{}' ({}...)", s.curve, s.sha256.substr(0, 8));
}

// `read`: "the wedge of batch X was read"; empty: `scans` are read alike.
std::optional<std::string> difference(std::string_view read,
                                      const wedge::WedgeScanner& was,
                                      std::string_view scans,
                                      const wedge::WedgeScanner& own) {
  if (own.sha256 == was.sha256) return std::nullopt;
  return fmt::format("{} {}, but {} {}", read, with(was), scans, with(own));
}

// Two files of one name and another content: naming the file would lead back to the mistake.
bool same_name(const wedge::WedgeScanner& was, const wedge::WedgeScanner& own) {
  return !was.curve.empty() && was.curve == own.curve;
}

using Json = nlohmann::ordered_json;

// How a plan's text says that its proof was read; not `recorded`: it does not say.
wedge::WedgeScanner scanner_in(const std::string& plan_text) {
  const Json j = Json::parse(plan_text, nullptr, false);
  if (!j.is_object() || !j.contains("scanner") || !j["scanner"].is_object()) return {};
  const auto text = [&](const char* key) {
    const auto found = j["scanner"].find(key);
    return found != j["scanner"].end() && found->is_string() ? found->get<std::string>() : "";
  };
  wedge::WedgeScanner s{true, text("name"), text("sha256")};
  if (s.curve.empty() != s.sha256.empty()) return {};
  return s;
}

// The same of a plan and, where it was changed by hand, of the plan that it was made from.
Result<wedge::WedgeScanner> scanner_of_plan(book::Book& book, const book::PlanRecord& plan) {
  auto own = scanner_in(plan.text);
  if (own.recorded) return own;
  const auto edits = book.edits(plan.state);
  if (!edits) return std::unexpected(edits.error());
  book::Id root = plan.id;
  for (auto e = edits->rbegin(); e != edits->rend(); ++e) {
    if (e->plan == root) root = e->from;
  }
  if (root == plan.id) return own;
  const auto original = book.plan(root);
  if (!original) return std::unexpected(original.error());
  return *original ? scanner_in((*original)->text) : own;
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
  return difference(
      fmt::format("the wedge of batch {} was read", batch.name), batch.scanner, scans, *own);
}

std::string wrong_minutes(std::string_view mismatch) {
  return fmt::format("The minutes would be wrong by a factor: {}.", mismatch);
}

Result<std::string> with_scanner(const std::string& plan_json, const std::filesystem::path& curve) {
  const auto own = wedge_scanner(curve);
  if (!own) return std::unexpected(own.error());
  Json j = Json::parse(plan_json);
  j["scanner"] = {{"used", !own->curve.empty()}};
  if (!own->curve.empty()) j["scanner"]["name"] = own->curve, j["scanner"]["sha256"] = own->sha256;
  return j.dump(1, ' ', false, Json::error_handler_t::replace) + "\n";
}

Result<ReadUnlike> read_unlike_plan(book::Book& book,
                                    const book::PlanRecord& plan,
                                    const ScanChoice& choice) {
  const auto was = scanner_of_plan(book, plan);
  if (!was) return std::unexpected(was.error());
  if (was->recorded) {
    const auto own = wedge_scanner(choice.scanner);
    if (!own) return std::unexpected(own.error());
    return ReadUnlike{
        difference("the plan's proof was read", *was, "the new proof is read", *own),
        same_name(*was, *own)
            ? "Both files have the same name but another content: give the one that the plan's "
              "proof was read with."
        : was->curve.empty() ? "Leave --scanner out."
                             : fmt::format("Give the plan's curve: --scanner '{}'.", was->curve),
        {}};
  }
  if (!plan.wedge) return ReadUnlike{};
  const auto wedge = book.wedge(plan.wedge);
  if (!wedge) return std::unexpected(wedge.error());
  if (!*wedge) return ReadUnlike{};
  const auto batch = wedge::batch_from_json((*wedge)->text, "the plan's wedge");
  // A damaged book is told of by its check.
  if (!batch || !batch->scanner.recorded) return ReadUnlike{};
  auto differ = scanner_mismatch(*batch, choice.scanner, "the new proof is read");
  if (!differ) return std::unexpected(differ.error());
  return ReadUnlike{std::move(*differ),
                    "Read the new proof as the plan's proof was read.",
                    {"The book does not say how the plan's proof was read (the plan is of an "
                     "earlier Rebite); it counts as read like its wedge."}};
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
  const auto own = wedge_scanner(choice.scanner);
  if (!own) return std::unexpected(own.error());
  const std::string way =
      batch.scanner.curve.empty()
          ? "Leave --scanner out, or measure the wedge again with it."
      : same_name(batch.scanner, *own)
          ? "Both files have the same name but another content: give the one that the wedge was "
            "read with, or measure the wedge again."
          : fmt::format("Give the same curve: --scanner '{}'.", batch.scanner.curve);
  return refuse(
      ProblemKind::data,
      wrong_minutes(**differ),
      way + " If each was read as its own scanner needs it, say so with --other-scanner.");
}

}  // namespace rebite::jobs

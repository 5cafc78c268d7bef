#include "cli/print_plan.h"

#include <fmt/format.h>

#include <algorithm>

#include "units/bite_time.h"

namespace rebite::cli {
namespace {

std::string list_of(const std::vector<int>& ids) {
  return ids.empty() ? "-" : fmt::format("{}", fmt::join(ids, " "));
}

std::string tone_row(const plan::PlannedRegion& r, const char* what) {
  return fmt::format("  region {:>2}  {:<10} {:6.1f} cm2   {:.2f} -> {:.2f} D\n",
                     r.region.id,
                     what,
                     r.region.area_mm2 / 100,
                     r.region.now.value.value(),
                     r.aim().value());
}

std::string lower_text(const plan::BitePlan& plan) {
  std::string text = plan.ground == plan::Ground::fresh
                         ? "Lower first, before the new ground is laid:\n"
                         : "Lower after this bite (burnishing breaks the ground that is on):\n";
  for (const int id : plan.lower_first) {
    const auto it = std::find_if(plan.regions.begin(), plan.regions.end(), [id](const auto& r) {
      return r.region.id == id;
    });
    if (it == plan.regions.end()) continue;
    text += tone_row(*it, plan::lowered_by_eye(*it) ? "by degrees" : plan::word(it->action));
    for (const auto& note : plan::lowering_warnings(*it)) text += "             " + note + "\n";
  }
  return text;
}

// Planned without a wedge: what is to be darker, and by how much, is known all the same.
std::string darker_text(const plan::BitePlan& plan) {
  std::string text;
  for (const auto& r : plan.regions)
    if (r.action == plan::Action::bite) text += tone_row(r, "darker");
  return text.empty() ? text : "Should be darker; without a wedge there are no minutes:\n" + text;
}

std::string stages_text(const plan::BitePlan& plan) {
  std::string text = fmt::format(
      "Bite, through {}:\n",
      plan.ground == plan::Ground::fresh ? "a new ground" : "the ground still on the plate");
  text += "  stage     dip   total   stop out before      bites\n";
  for (const auto& s : plan.stages) {
    // A reader of the table alone must not etch what is to stay.
    std::string stop_out = list_of(s.stop_out_before);
    if (s.number == 1) {
      stop_out = s.stop_out_before.empty() ? "all without number"
                                           : fmt::format("all without number, {}", stop_out);
    }
    text += fmt::format("  {:>5} {:>7} {:>7}   {:<18}   {}\n",
                        s.number,
                        clock_text(s.dip),
                        clock_text(s.total),
                        stop_out,
                        list_of(s.still_open));
  }
  return text;
}

}  // namespace

std::string plan_text(const jobs::PlanReport& report, const std::string& folder) {
  const auto& plan = report.content.plan;
  std::string text;
  const auto held = [](const auto& r) { return r.action == plan::Action::hold; };
  if (std::ranges::all_of(plan.regions, held))
    text += "Nothing to bite and nothing to lower: the drawing asks for no visible change.\n";
  if (!plan.lower_first.empty()) text += lower_text(plan);
  if (!plan.stages.empty()) text += stages_text(plan);
  if (plan.batch.empty()) text += darker_text(plan);
  const auto list = [&](const char* words, auto&& wanted) {
    std::vector<int> ids;
    for (const auto& r : plan.regions) {
      if (wanted(r)) ids.push_back(r.region.id);
    }
    if (!ids.empty()) text += fmt::format("{}: {}\n", words, list_of(ids));
  };
  const auto darker = [](plan::Action action) {
    return [action](const auto& r) { return r.action == action && !plan::lowered_by_eye(r); };
  };
  list("Darker than this batch and ground can reach", [](const auto& r) {
    return r.nearest && (r.action == plan::Action::beyond || r.action == plan::Action::soft);
  });
  list("Soft passages to darken, by free hand", darker(plan::Action::soft));
  list("Drawn lines, not tone", darker(plan::Action::line));
  text += fmt::format("Mean gap in tone {:.3f} D now, {:.3f} D expected after.\n",
                      plan.outlook.mean_gap_before,
                      plan.outlook.mean_gap_after);
  for (const auto& caution : plan.cautions) text += "Caution: " + caution + "\n";
  text += fmt::format("Written to {}: {}\n", folder, fmt::join(report.files, ", "));
  return text;
}

}  // namespace rebite::cli

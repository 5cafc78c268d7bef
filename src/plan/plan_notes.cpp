#include "plan/plan_notes.h"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>
#include <cstddef>
#include <string>

#include "plan/lower.h"
#include "plan/mordants.h"

namespace rebite::plan {
namespace {

std::string lower_case(std::string_view text) {
  std::string s(text);
  std::transform(s.begin(), s.end(), s.begin(), [](unsigned char c) {
    return static_cast<char>(c < 128 ? std::tolower(c) : c);
  });
  return s;
}

bool names(std::string_view text, std::initializer_list<const char*> words) {
  const std::string s = lower_case(text);
  return std::any_of(
      words.begin(), words.end(), [&](const char* w) { return s.find(w) != std::string::npos; });
}

bool any(const BitePlan& plan, Action action) {
  return std::any_of(plan.regions.begin(), plan.regions.end(), [&](const PlannedRegion& p) {
    return p.action == action;
  });
}

void note_ground(BitePlan& plan, const wedge::Batch& batch) {
  if (plan.stages.empty()) return;
  if (plan.ground == Ground::kept) {
    plan.notes.push_back(
        "Kept ground: the bite continues through the ground that is still on the plate. If the "
        "plate has been cleaned, these minutes are wrong: plan for a fresh ground.");
  } else if (batch.overlap.measured) {
    plan.notes.push_back(
        fmt::format("Fresh ground over the old tones, by the crossed wedge (q = {:.2f} +- {:.2f}).",
                    batch.overlap.q,
                    batch.overlap.sd));
  } else {
    plan.notes.push_back(
        "Fresh ground over the old tones, by a model: new grain falls at random, so the light that "
        "is left multiplies.");
  }
}

void note_no_wedge(BitePlan& plan, const PlanOptions& options) {
  plan.notes.push_back(
      "No minutes: they depend on this mordant, today, on this ground, and only a wedge bitten in "
      "it tells them.");
  plan.notes.push_back(
      "To bite a wedge: a strip of the same metal with the same ground, in this bath at its "
      "working warmth; stop out one step after another at 15 s, 30 s, 1, 2, 4, 8 and 16 min in "
      "all, leave one step unbitten, print it as you print the plate (three prints if you can), "
      "scan, and run: rebite wedge.");
  if (options.temperature) {
    plan.notes.push_back("The bath's temperature was not used: without a wedge there are no times.");
  }
}

void note_stages(BitePlan& plan, BiteTime shortest) {
  std::string left;
  int count = 0;
  for (const PlannedRegion& p : plan.regions) {
    if (p.minutes && p.stage == 0 && p.minutes->advised > BiteTime::minutes(0)) {
      left += (left.empty() ? "" : ", ") + std::to_string(p.region.id);
      ++count;
    }
  }
  if (plan.stages.empty()) {
    if (left.empty()) return;
    plan.notes.push_back(fmt::format(
        "Nothing can be bitten: region{} {} would need less than the shortest dip of {:.0f} s. Give "
        "a shorter one with --shortest, or bite in a slower bath (colder or weaker, with a wedge of "
        "its own).",
        count == 1 ? "" : "s",
        left,
        shortest.in_seconds()));
    return;
  }
  if (!left.empty()) {
    plan.notes.push_back(fmt::format(
        "Left unbitten, since no stage is near enough to their time (bite them again later rather "
        "than too dark now): region{} {}.",
        count == 1 ? "" : "s",
        left));
  }
  plan.notes.push_back(
      "Before the first dip stop out all that has no number too: it is to stay as it is.");
  plan.notes.push_back(fmt::format(
      "Control strip: leave a strip of the margin open under the same ground, {}; it "
      "carries this bath's check into the next proof.",
      plan.stages.size() == 1
          ? std::string("one patch, stopped out after the bite")
          : fmt::format("{} patches side by side, and stop one out with each stage",
                        plan.stages.size())));
  if (plan.handling && plan.stages.size() > 1) {
    plan.notes.push_back(fmt::format(
        "Between dips: rinse, dry fully, stop out, let it dry; about {:.0f} min in all for {} "
        "change{}.",
        plan.handling->in_minutes(),
        plan.stages.size() - 1,
        plan.stages.size() == 2 ? "" : "s"));
  }
}

void note_bath(BitePlan& plan, const wedge::Batch& batch) {
  const Mordant* mordant = find_mordant(batch.mordant);
  if (!mordant || plan.stages.empty()) return;
  if (!mordant->copper_warn_g_l || !names(batch.metal, {"copper"})) return;
  double area_minutes = 0;
  for (const PlannedRegion& p : plan.regions) {
    if (p.stage == 0) continue;
    area_minutes +=
        p.region.area_mm2 * plan.stages[static_cast<std::size_t>(p.stage - 1)].total.in_minutes();
  }
  const double grams = copper_taken_g(area_minutes);
  plan.notes.push_back(fmt::format(
      "Copper into the bath: about {:.2g} g (an order of magnitude). With {}, biting slows down "
      "from some {:.0f} g per litre.",
      grams,
      mordant->name,
      *mordant->copper_warn_g_l));
}

// Why a bath strays from its wedge, where it may have.
void note_stray(BitePlan& plan, const wedge::Batch& batch, const PlanOptions& options) {
  const bool used = options.plates_since_wedge > 0 || options.days_since_wedge >= 1;
  const Mordant* mordant = find_mordant(batch.mordant);
  if (!mordant || plan.stages.empty() || !(used || plan.new_wedge_advised)) return;
  plan.notes.insert(plan.notes.end(), mordant->notes.begin(), mordant->notes.end());
}

// Ten degrees above where the mordant works well (common practice, no source); 40 C where that is
// not known.
bool is_hot(const Mordant& mordant, const BitePlan& plan) {
  constexpr double beyond_window = 10, unknown_c = 40;
  const double limit = mordant.window ? mordant.window->high_c + beyond_window : unknown_c;
  return plan.bath && plan.bath->in_celsius() > limit;
}

void note_hand_work(BitePlan& plan) {
  const bool lowered = !plan.lower_first.empty();
  const bool soft = any(plan, Action::soft);
  if (lowered) {
    plan.notes.push_back(
        plan.ground == Ground::fresh
            ? "Lower first: burnish and scrape before the new ground is laid; final burnishing "
              "comes last, on the proof."
            : "Lower after this bite: burnishing breaks the ground that is still on the plate.");
  }
  if (lowered || soft) {
    plan.notes.push_back(fmt::format("The outlook takes {} as brought to their tone by hand.",
                                     lowered && soft ? "lowered and gradual areas"
                                     : lowered       ? "lowered areas"
                                                     : "gradual areas"));
  }
}

}  // namespace

void add_notes(BitePlan& plan, const wedge::Batch* batch, const PlanOptions& options) {
  const bool work = std::any_of(plan.regions.begin(), plan.regions.end(), [](const auto& p) {
    return p.action != Action::hold && p.action != Action::line;
  });
  if (!work && plan.lower_first.empty()) {
    plan.notes.push_back(
        "Nothing to do: every difference is within the noise, below a visible step, or line work.");
  }
  if (batch) {
    note_ground(plan, *batch);
    note_stages(plan, options.shortest);
    note_bath(plan, *batch);
    note_stray(plan, *batch, options);
  } else {
    note_no_wedge(plan, options);
  }
  note_hand_work(plan);
  for (const PlannedRegion& p : plan.regions) {
    if (!lowers(p.action) || p.aim() < p.region.now.value) continue;
    plan.notes.push_back(fmt::format(
        "The edit by hand of region {} asks the burnisher for a darker tone; see its note.",
        p.region.id));
  }
  for (const auto& [id, edit] : options.edits) {
    const bool there = std::any_of(
        plan.regions.begin(), plan.regions.end(), [&](const auto& p) { return p.region.id == id; });
    if (!there) {
      plan.notes.push_back(
          fmt::format("An edit by hand names region {}, which is not there any more.", id));
    }
  }
}

Notes cautions_for(const BitePlan& plan, const wedge::Batch* batch) {
  Notes cautions;
  const WorkCautions& work = mordant_table().work;
  if (any(plan, Action::bite) || !plan.stages.empty()) {
    const Mordant* known = batch ? find_mordant(batch->mordant) : nullptr;
    const Mordant& mordant = known ? *known : mordant_table().unknown;
    const std::string metal = batch ? lower_case(batch->metal) : "";
    for (const std::string& never : mordant.never_metals) {
      if (metal.find(never) == std::string::npos) continue;
      cautions.push_back(fmt::format("{} in {}: {}. Do not bite before this is cleared up.",
                                     batch->metal,
                                     mordant.name,
                                     mordant.never_metals_text));
    }
    cautions.insert(cautions.end(), mordant.cautions.begin(), mordant.cautions.end());
    if (is_hot(mordant, plan)) cautions.push_back(work.hot);
    cautions.push_back(work.eyes);
    const std::string ground = batch ? batch->ground : std::string();
    if (plan.ground == Ground::fresh)
      cautions.push_back(names(ground, {"spray", "acrylic", "enamel", "airbrush"}) ? work.spray
                                                                                   : work.rosin);
    cautions.push_back(work.solvent);  // stop-out work is in every plan that bites
  }
  if (!plan.lower_first.empty()) cautions.push_back(work.scraping);
  if (!cautions.empty()) cautions.push_back(work.deference);
  return cautions;
}

}  // namespace rebite::plan

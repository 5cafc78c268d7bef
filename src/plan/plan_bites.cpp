#include "plan/plan_bites.h"

#include <fmt/format.h>

#include <algorithm>
#include <cassert>
#include <cmath>
#include <cstddef>

#include "plan/check_plan.h"
#include "plan/conditions.h"
#include "plan/decide.h"
#include "plan/lower.h"
#include "plan/minutes.h"
#include "plan/outlook.h"
#include "plan/plan_notes.h"
#include "plan/stages.h"

namespace rebite::plan {
namespace {

bool sound(const tone::Region& r) {
  for (const double v : {r.area_mm2,
                         r.width_mm,
                         r.mean_distance_mm,
                         r.centre.x,
                         r.centre.y,
                         r.now.value.value(),
                         r.now.sd,
                         r.target.value.value(),
                         r.target.sd,
                         r.gap.value(),
                         r.gap_sd,
                         r.offset_sd,
                         r.unseen_share}) {
    if (!std::isfinite(v)) return false;
  }
  return r.area_mm2 >= 0 && r.mean_distance_mm >= 0 && r.now.sd >= 0 && r.target.sd >= 0 &&
         r.gap_sd >= 0 && r.offset_sd >= 0 && r.offset_sd <= r.gap_sd && r.id >= 1;
}

std::optional<Problem> trouble_with(const std::vector<tone::Region>& regions) {
  for (std::size_t i = 0; i < regions.size(); ++i) {
    if (!sound(regions[i])) {
      return Problem{ProblemKind::data,
                     fmt::format("region {} has a measure that is no usable number", regions[i].id),
                     "Scan the pair again; if it happens twice, report it with the two scans."};
    }
    if (i > 0 && regions[i].id == regions[i - 1].id) {
      return Problem{ProblemKind::data,
                     fmt::format("region {} is listed twice", regions[i].id),
                     "Give every region a number of its own."};
    }
  }
  return std::nullopt;
}

std::optional<Problem> trouble_with(const wedge::Batch& batch) {
  const double range = (batch.curve.darkest() - batch.curve.lightest()).value();
  if (range < 0.05) {
    return Problem{ProblemKind::data,
                   fmt::format("batch {}: its wedge goes from {:.2f} to {:.2f} D only, less than "
                               "two visible steps",
                               batch.name,
                               batch.curve.lightest().value(),
                               batch.curve.darkest().value()),
                   "Bite a wedge with longer times, up to a full black."};
  }
  if (!(batch.overlap.q > 0) || !(batch.overlap.sd >= 0) || !std::isfinite(batch.overlap.q) ||
      !std::isfinite(batch.solid.value()) || !(batch.solid.value() > 0)) {
    return Problem{ProblemKind::data,
                   fmt::format("batch {}: the solid {:.2f} D or the overlap q {:.2f} is not usable",
                               batch.name,
                               batch.solid.value(),
                               batch.overlap.q),
                   "Make the batch again from the wedge scans: rebite wedge."};
  }
  return std::nullopt;
}

std::optional<Problem> trouble_with(const PlanOptions& o) {
  const auto wrong = [](std::string what, std::string next) {
    return Problem{ProblemKind::usage, std::move(what), std::move(next)};
  };
  if (!(o.risk >= 0.01 && o.risk <= 0.5)) {
    return wrong(fmt::format("a risk of {:.3g} is outside 0.01 to 0.5", o.risk),
                 "Give the chance of overshooting that you accept, such as 20 % (0.2).");
  }
  if (o.stages && (*o.stages < 0 || *o.stages > most_stages)) {
    return wrong(fmt::format("{} stages are outside 1 to {}", *o.stages, most_stages),
                 "Ask for 4 to 8 stages, or for max.");
  }
  if (!(o.speed > 0) || !std::isfinite(o.speed) || !(o.speed_sd >= 0) ||
      !std::isfinite(o.speed_sd)) {
    return wrong(
        fmt::format("a speed factor of {:.3g} +- {:.3g} is not usable", o.speed, o.speed_sd),
        "Leave the speed to the record of the batch.");
  }
  if (!(o.overlap_share >= 0 && o.overlap_share <= 1)) {
    return wrong(
        fmt::format("a share of {:.3g} of the overlap's doubt is outside 0 to 1", o.overlap_share),
        "Leave it to the record of the batch.");
  }
  const double shortest = o.shortest.in_seconds();
  if (!(shortest >= 0 && shortest <= 3600)) {
    return wrong(fmt::format("a shortest dip of {:.0f} s is outside 0 to 3600 s", shortest),
                 "Give the shortest dip that you can time by hand, such as 5s.");
  }
  for (const auto& [id, e] : o.edits) {
    const bool bad_time =
        e.minutes && !(e.minutes->in_minutes() >= 0 && e.minutes->in_minutes() <= 48 * 60);
    const bool bad_tone = e.target && !(e.target->value() >= -0.5 && e.target->value() <= 5);
    if (bad_time || bad_tone) {
      return Problem{
          ProblemKind::data,
          fmt::format(
              "the edit of region {} has a {} that cannot be", id, bad_time ? "time" : "density"),
          "Give minutes from 0 up to 48 h and densities from 0 to 5."};
    }
  }
  return std::nullopt;
}

// A second, or two in a hundred, is what a hand is off anyway.
bool other_than_set(const PlannedRegion& p, BiteTime total) {
  if (!p.time_by_hand) return false;
  const double set = p.minutes->advised.in_seconds();
  return std::fabs(total.in_seconds() - set) > std::max(1.0, 0.02 * set);
}

// Where few stages give an area another time than was set by hand, or another tone than its own
// time would, by half a visible step.
void note_shared_time(PlannedRegion& p, const StageArea& own, BiteTime total) {
  if (other_than_set(p, total)) {
    p.notes.push_back(fmt::format("Set by hand to {}, but it shares a stage and stays in for {}.",
                                  clock_text(p.minutes->advised),
                                  clock_text(total)));
    return;
  }
  const double off = (own.reached(total) - own.wanted_tone).value();
  if (std::fabs(off) < 0.5 * visible_step(own.wanted_tone).value()) return;
  p.notes.push_back(fmt::format("Shares a stage: {} in place of {}, about {:.2f} D {}.",
                                clock_text(total),
                                clock_text(own.wanted),
                                std::fabs(off),
                                off > 0 ? "darker" : "lighter"));
}

// The tone is flat past the useful end, so the stages cost nothing there; the metal does not.
bool past_useful(BiteTime longest, BiteTime total) {
  return total > longest * 1.01 + BiteTime::seconds(1);
}
void note_past_useful(PlannedRegion& p, BiteTime longest, BiteTime total) {
  if (!past_useful(longest, total)) return;
  p.notes.push_back(fmt::format(
      "Stays in for {}, past what the wedge knows for its tone ({}): stop it out at that time, or "
      "the grain may fall and the black go grey.",
      clock_text(total),
      clock_text(longest)));
}

// The areas that want a bite, and whose they are.
struct Wanted {
  std::vector<StageArea> areas;
  std::vector<PlannedRegion*> owners;
};

Wanted wanted_by(BitePlan& plan, const BiteModel& model) {
  Wanted out;
  for (PlannedRegion& p : plan.regions) {
    if (!p.minutes || p.minutes->advised <= BiteTime::minutes(0) || p.region.area_mm2 <= 0)
      continue;
    const Density now = p.region.now.value;
    const BiteTime wanted = p.minutes->advised;
    out.areas.push_back({p.region.area_mm2,
                         wanted,
                         model.reached(now, wanted),
                         [&model, now](BiteTime t) { return model.reached(now, t); },
                         p.time_by_hand,
                         model.longest(now)});
    out.owners.push_back(&p);
  }
  return out;
}

// Areas beyond reach stay in the bath only as long as the picture gains by it.
void shorten_beyond(Wanted& wanted) {
  std::vector<StageArea> beyond;
  BiteTime ordinary = BiteTime::minutes(0);
  double all = 0;
  for (std::size_t i = 0; i < wanted.areas.size(); ++i) {
    const PlannedRegion& p = *wanted.owners[i];
    all += wanted.areas[i].area_mm2;
    if (p.action == Action::beyond && !p.by_hand) {
      beyond.push_back(wanted.areas[i]);
    } else {
      ordinary = std::max(ordinary, wanted.areas[i].wanted);
    }
  }
  if (beyond.empty()) return;
  const BiteTime worth = worth_staying(beyond, ordinary, all);
  for (std::size_t i = 0; i < wanted.areas.size(); ++i) {
    PlannedRegion& p = *wanted.owners[i];
    StageArea& a = wanted.areas[i];
    if (p.action != Action::beyond || p.by_hand || a.wanted <= worth + BiteTime::seconds(1))
      continue;
    const Density full = a.wanted_tone;
    a.wanted = worth;
    a.wanted_tone = a.reached(worth);
    p.notes.push_back(
        fmt::format("Planned for {} and not to the end ({}): the last {:.2f} D of {:.1f} cm2 are "
                    "not worth the time. Give its minutes by hand if they are.",
                    clock_text(worth),
                    clock_text(p.minutes->advised),
                    (full - a.wanted_tone).value(),
                    p.region.area_mm2 / 100));
  }
}

// What the regions' own notes say, once for the plan: it must not be missed.
void note_times(BitePlan& plan, const BiteModel& model) {
  std::string other, past;
  for (const PlannedRegion& p : plan.regions) {
    const auto add = [&](std::string& list, BiteTime total) {
      list += fmt::format("{}{} ({})", list.empty() ? "" : ", ", p.region.id, clock_text(total));
    };
    if (p.stage == 0) {
      if (p.time_by_hand && p.minutes->advised > BiteTime::minutes(0))
        add(other, BiteTime::minutes(0));
      continue;
    }
    const BiteTime total = plan.stages[static_cast<std::size_t>(p.stage - 1)].total;
    if (other_than_set(p, total)) add(other, total);
    if (past_useful(model.longest(p.region.now.value), total)) add(past, total);
  }
  if (!other.empty()) {
    plan.notes.push_back(fmt::format(
        "Not in the bath for the time set by hand, since the stages are too few for it: region {}. "
        "Ask for more stages, or give the same time to several regions.",
        other));
  }
  if (!past.empty()) {
    plan.notes.push_back(fmt::format(
        "In the bath past the end of what the wedge knows, where the grain may fall and the black "
        "go grey: region {}.",
        past));
  }
}

void set_stages(BitePlan& plan, const BiteModel& model, const PlanOptions& options) {
  Wanted wanted = wanted_by(plan, model);
  shorten_beyond(wanted);
  const std::vector<PlannedRegion*>& owners = wanted.owners;
  StageTimes times = choose_stages(
      wanted.areas, {options.stages, options.shortest, overshoot_weight(options.risk)});
  plan.stage_table = std::move(times.table);
  plan.notes.insert(plan.notes.end(), times.notes.begin(), times.notes.end());
  for (std::size_t i = 0; i < owners.size(); ++i) owners[i]->stage = times.stage_of[i];
  BiteTime before = BiteTime::minutes(0);
  for (std::size_t k = 0; k < times.totals.size(); ++k) {
    Stage& stage = plan.stages.emplace_back();
    stage.number = static_cast<int>(k) + 1;
    stage.total = times.totals[k];
    stage.dip = stage.total - before;
    before = stage.total;
    for (const PlannedRegion& p : plan.regions) {
      if (p.stage == stage.number - 1) stage.stop_out_before.push_back(p.region.id);
      if (p.stage >= stage.number) stage.still_open.push_back(p.region.id);
    }
    plan.control_strip.push_back({stage.number, before, model.on_bare_metal(before)});
  }
  for (std::size_t i = 0; i < owners.size(); ++i) {
    const int k = owners[i]->stage;
    if (k == 0) continue;
    const BiteTime total = plan.stages[static_cast<std::size_t>(k - 1)].total;
    note_shared_time(*owners[i], wanted.areas[i], total);
    note_past_useful(*owners[i], model.longest(owners[i]->region.now.value), total);
  }
  note_times(plan, model);
  if (!plan.stages.empty()) {
    plan.handling = handling_between_dips * static_cast<double>(plan.stages.size() - 1);
  }
}

}  // namespace

Result<BitePlan> plan_bites(const std::vector<tone::Region>& unsorted,
                            const wedge::Batch* batch,
                            const PlanOptions& options) {
  std::vector<tone::Region> regions = unsorted;
  std::sort(regions.begin(), regions.end(), [](const tone::Region& a, const tone::Region& b) {
    return a.id < b.id;
  });
  std::optional<Problem> trouble = trouble_with(regions);
  if (!trouble) trouble = trouble_with(options);
  if (!trouble && batch) trouble = trouble_with(*batch);
  if (trouble) return std::unexpected(*std::move(trouble));

  BitePlan plan;
  plan.ground = options.ground;
  plan.risk = options.risk;
  plan.bath = options.temperature;
  std::optional<BiteModel> model;
  if (batch) {
    plan.batch = batch->name.empty() ? "unnamed batch" : batch->name;
    const Conditions conditions = conditions_of(*batch,
                                                {options.temperature,
                                                 options.days_since_wedge,
                                                 options.plates_since_wedge,
                                                 options.speed,
                                                 options.speed_sd});
    if (!plan.bath && batch->temperature_c) {
      plan.bath = Temperature::celsius(*batch->temperature_c);
    }
    plan.temperature_factor = conditions.temperature_alone.value;
    plan.temperature_factor_sd =
        conditions.temperature_alone.value * conditions.temperature_alone.ln_sd;
    plan.time_factor = conditions.all.value;
    plan.time_factor_ln_sd = conditions.all.ln_sd;
    plan.new_wedge_advised = conditions.all.new_wedge;
    plan.notes = conditions.all.notes;
    wedge::Batch known = *batch;
    known.overlap.sd *= options.overlap_share;
    model.emplace(known, options.ground, conditions.all, options.risk);
  }
  const BiteModel* bite = model ? &*model : nullptr;
  for (const tone::Region& r : regions) {
    const auto edit = options.edits.find(r.id);
    plan.regions.push_back(decide(r, bite, edit == options.edits.end() ? nullptr : &edit->second));
  }
  if (bite) set_stages(plan, *bite, options);
  note_lowering(plan.regions, options.ground);
  plan.lower_first = lower_list(plan.regions);
  predict(plan.regions, plan.stages, bite, options.ground);
  plan.outlook = outlook_of(plan.regions, options.plate_area_mm2);
  add_notes(plan, batch, options);
  plan.cautions = cautions_for(plan, batch);
  assert(broken_rules(plan).empty());
  return plan;
}

}  // namespace rebite::plan

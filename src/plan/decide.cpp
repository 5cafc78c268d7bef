#include "plan/decide.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "plan/lower.h"

namespace rebite::plan {
namespace {

// More than half of it not seen by the alignment: its gap may be a shift, not a wish.
constexpr double too_unseen = 0.5;
// From here a new ground's bite eats the walls of old deep pits (Lalanne 1880, and the overlap
// arithmetic of the trade notes); the density is common practice, no source.
constexpr double old_dark = 1.0;

// What the bare plate prints; without a wedge no more is known than that paper is the lightest.
Density bare_of(const BiteModel* model) { return model ? model->bare() : Density::of(0); }

// Half a step is not seen.
bool short_of(Density target, Density reached) {
  return (target - reached).value() > 0.5 * visible_step(target).value();
}
bool out_of_reach(const BiteModel& model, Density now, Density target) {
  const Density reach = model.reach(now);
  return short_of(target, reach) && (target - reach).value() > model.curve_end_sd();
}

// No burnisher takes away more than the tone that there is.
void aim_no_lighter_than_bare(PlannedRegion& p, const BiteModel* model) {
  const tone::Region& r = p.region;
  const Density lightest = std::min(bare_of(model), r.now.value);
  if (r.target.value >= lightest) return;
  p.nearer_aim = lightest;
  if (!short_of(p.aim(), r.target.value)) return;
  p.notes.push_back(fmt::format("Wanted {:.2f} D; {} print{} {:.2f} D: that is the aim.",
                                r.target.value.value(),
                                model ? "bare metal" : "paper and clean metal",
                                model ? "s" : "",
                                p.aim().value()));
}

Action own_action(PlannedRegion& p, const BiteModel* model) {
  const tone::Region& r = p.region;
  if (r.kind == tone::RegionKind::line) return Action::line;
  if (r.kind == tone::RegionKind::still) return Action::hold;
  const double gap = (p.aim() - r.now.value).value();
  const double least = hold_below(r);
  if (std::fabs(gap) < least) {
    if (std::fabs(gap) >= visible_step(std::min(r.now.value, r.target.value)).value()) {
      p.notes.push_back(fmt::format(
          "The gap of {:+.2f} D is within its own uncertainty ({:.2f}): left alone.", gap, least));
    }
    return Action::hold;
  }
  if (r.unseen_share > too_unseen) {
    p.notes.push_back(fmt::format(
        "{:.0f} % of it could not be aligned: the gap of {:+.2f} D is not trusted. Look at it by "
        "eye, or set it by hand.",
        100 * r.unseen_share,
        gap));
    return Action::hold;
  }
  if (r.kind == tone::RegionKind::soft) return Action::soft;
  if (gap < 0) return lowering_for(r);
  if (!model) return Action::bite;
  return out_of_reach(*model, r.now.value, r.target.value) ? Action::beyond : Action::bite;
}

void say_second_ground(PlannedRegion& p, const BiteModel& model, Density reach, Density target) {
  const Density second = model.reach_with_further_ground(reach);
  const char* which = model.ground() == Ground::kept ? "A fresh ground" : "A second fresh ground";
  p.notes.push_back(
      !short_of(target, second)
          ? fmt::format("{} laid over this bite would reach it.", which)
          : fmt::format("{} laid over this bite would reach {:.2f} D, not the target.",
                        which,
                        second.value()));
}

void say_beyond(PlannedRegion& p, const BiteModel& model) {
  const tone::Region& r = p.region;
  const Density reach = model.reach(r.now.value);
  p.nearest = reach;
  if (out_of_reach(model, r.now.value, r.target.value)) {
    p.notes.push_back(fmt::format("Wanted {:.2f} D; this batch and ground reach {:.2f} D at most.",
                                  r.target.value.value(),
                                  reach.value()));
    say_second_ground(p, model, reach, r.target.value);
  } else {
    p.notes.push_back(fmt::format("Its target of {:.2f} D is within reach ({:.2f} D).",
                                  r.target.value.value(),
                                  reach.value()));
  }
  const double gain = (reach - r.now.value).value();
  if (gain < 0.5 * visible_step(reach).value()) {
    p.minutes.reset();
    p.notes.push_back("No further gain from biting: past here the black goes grey.");
  }
}

void set_minutes(PlannedRegion& p, const BiteModel& model) {
  const tone::Region& r = p.region;
  p.minutes = model.minutes(reading_of(r));
  if (p.action == Action::beyond) say_beyond(p, model);
  if (p.minutes && model.ground() == Ground::fresh && r.now.value.value() >= old_dark) {
    p.notes.push_back(
        "A new ground over an old dark: the walls of old pits are partly eaten, it may gain less "
        "or turn greyer.");
  }
  if (p.minutes && p.action == Action::bite && r.gap.value() <= 0) {
    p.notes.push_back("Its target is not darker: no bite makes it lighter.");
  }
}

void set_minutes_by_hand(PlannedRegion& p, const BiteModel& model, BiteTime m) {
  if (p.minutes) {
    p.notes.push_back(fmt::format("Set by hand to {} (the wedge would advise {}).",
                                  clock_text(m),
                                  clock_text(p.minutes->advised)));
  } else {
    p.notes.push_back(fmt::format("Set by hand to {}.", clock_text(m)));
  }
  const BiteTime longest = model.longest(p.region.now.value);
  if (m > longest + BiteTime::seconds(1)) {
    p.notes.push_back(fmt::format(
        "That is past the useful time of this batch ({}): the wedge does not tell what it gives; "
        "the grain may fall and the black go grey.",
        clock_text(longest)));
  }
  p.minutes = Minutes{m, m, m, m};
  p.time_by_hand = true;
}

// Brushed acid reaches no further than a dip: its dark end may ask for more than there is.
void keep_soft_in_reach(PlannedRegion& p, const BiteModel& model) {
  const tone::Region& r = p.region;
  const Density now = r.run ? r.run->now_at_dark : r.now.value;
  const Density target = r.run ? r.run->dark : r.target.value;
  const bool whole = out_of_reach(model, r.now.value, r.target.value);
  if (!whole && !out_of_reach(model, now, target)) return;
  if (whole) p.nearer_aim = model.reach(r.now.value);
  p.nearest = std::max(model.reach(now), model.reach(r.now.value));
  const Density asked = std::max(target, r.target.value);
  p.notes.push_back(fmt::format("{} {:.2f} D; this batch and ground reach {:.2f} D at most.",
                                r.run ? "Its dark end wants" : "Wanted",
                                asked.value(),
                                p.nearest->value()));
  say_second_ground(p, model, *p.nearest, asked);
}

void say_soft(PlannedRegion& p) {
  std::string note = fmt::format("Gradual: by hand, aim at {:.2f} D from {:.2f} D.",
                                 p.aim().value(),
                                 p.region.now.value.value());
  if (p.guide)
    note += fmt::format(" The wedge's step of that change is about {}.", clock_text(*p.guide));
  p.notes.push_back(std::move(note));
}

}  // namespace

double hold_below(const tone::Region& region) {
  const Density lighter = std::min(region.now.value, region.target.value);
  return std::max(visible_step(lighter).value(), 2 * region.gap_sd);
}

PlannedRegion decide(const tone::Region& region, const BiteModel* model, const Edit* edit) {
  PlannedRegion p;
  p.region = region;
  p.notes = region.notes;
  if (edit && edit->target) {
    p.region.target = {*edit->target, 0};
    p.region.gap = *edit->target - region.now.value;
    p.region.gap_sd = region.now.sd;
    p.region.offset_sd = 0;
    p.by_hand = true;
    p.notes.push_back(fmt::format("Target set by hand to {:.2f} D.", edit->target->value()));
  }
  aim_no_lighter_than_bare(p, model);
  p.action = own_action(p, model);
  if (edit && edit->action) {
    if (*edit->action != p.action) {
      p.notes.push_back(
          fmt::format("Set by hand: {} instead of {}.", word(*edit->action), word(p.action)));
    }
    p.action = *edit->action;
    p.by_hand = true;
  } else if (edit && edit->minutes && p.action != Action::beyond) {
    p.action = Action::bite;
  }
  if (lowers(p.action) && p.aim() > region.now.value) {
    p.nearer_aim = region.now.value;
    p.notes.push_back(fmt::format(
        "Set by hand to {}, but {:.2f} D is darker than the {:.2f} D that it prints, and the "
        "burnisher only makes lighter: nothing is expected of it. Give it a lighter density, or "
        "bite it.",
        word(p.action),
        p.region.target.value.value(),
        region.now.value.value()));
  }
  const bool bites = p.action == Action::bite || p.action == Action::beyond;
  if (bites && model) set_minutes(p, *model);
  const bool by_hand = p.action == Action::soft || p.action == Action::line;
  if (by_hand && model && p.region.gap.value() > 0) {
    // A tone out of reach has no step on the wedge: its end would be read as advice.
    const BiteTime guide = model->time_to(p.region.now.value, p.region.target.value);
    if (guide < model->longest(p.region.now.value)) p.guide = guide;
  }
  if (p.action == Action::soft && model && p.region.gap.value() > 0) keep_soft_in_reach(p, *model);
  if (p.action == Action::soft) say_soft(p);
  if (edit && edit->minutes) {
    p.by_hand = true;
    if (bites && model) {
      set_minutes_by_hand(p, *model, *edit->minutes);
    } else {
      p.notes.push_back(model ? "Minutes set by hand are not used: this region is not bitten."
                              : "Minutes set by hand are not used: there is no wedge.");
    }
  }
  return p;
}

}  // namespace rebite::plan

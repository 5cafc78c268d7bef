#include "sheets/bench_words.h"

#include <fmt/format.h>

#include <algorithm>
#include <cctype>

#include "plan/lower.h"
#include "sheets/palette.h"
#include "sheets/wording.h"

namespace rebite::sheets {
namespace {

using Kind = TextBlock::Kind;

// No line ends inside it.
std::string kept_together(const std::string& text) {
  std::string out;
  for (const char c : text) out += c == ' ' ? std::string("\u00a0") : std::string(1, c);
  return out;
}

void lower_words(const SheetContent& c, std::vector<TextBlock>& out) {
  const auto regions = to_lower(c);
  out.push_back(
      {Kind::heading, c.plan.ground == plan::Ground::fresh ? "Lower first" : "Lower afterwards"});
  for (const auto* r : regions) {
    out.push_back({Kind::tick,
                   fmt::format("{}: {} · {} · {} to {}",
                               r->region.id,
                               lowering_text(*r),
                               kept_together(area_text(r->region.area_mm2, c.units)),
                               kept_together(density_text(r->region.now.value)),
                               kept_together(lowered_text(*r, c)))});
    for (const auto& note : plan::lowering_warnings(*r)) out.push_back({Kind::text, note});
  }
  if (regions.empty()) {
    out.push_back({Kind::text, "Nothing to scrape or burnish."});
  } else {
    std::string when = when_to_lower(c.plan.ground);
    when.front() = static_cast<char>(std::toupper(when.front()));
    out.push_back({Kind::text,
                   fmt::format("{}, {} in all. {}.",
                               count_text(regions.size(), "zone", "zones"),
                               area_text(area_of(regions), c.units),
                               when)});
  }
}

// "D 0.12 to D 0.28, guide 0:35"
std::string aim(const plan::PlannedRegion& r) {
  std::string out = kept_together(density_text(r.region.now.value)) + " to " +
                    kept_together(density_text(r.aim()));
  if (r.guide) out += ", " + kept_together("guide " + clock_text(*r.guide));
  return out;
}

// What is worked by hand beside the stages, in one line; empty where nothing is. `parts`: as in
// ids_text; where room is short two aims must do.
std::string hand_aims(const SheetContent& c, std::size_t parts) {
  std::string out;
  std::size_t shown = 0;
  const auto regions = by_hand(c);
  for (const auto* r : regions) {
    if (shown == (parts == 0 ? 4 : 2)) break;
    out += fmt::format("{}{} ({})", shown++ == 0 ? "By hand: " : ", ", r->region.id, aim(*r));
  }
  if (regions.size() > shown)
    out += fmt::format(" and {} more, page BY HAND", regions.size() - shown);
  return out;
}

void hand_words(const SheetContent& c, std::vector<TextBlock>& out) {
  if (by_hand(c).empty()) return;
  out.push_back({Kind::heading, "By hand"});
  std::string words;
  for (const auto& [action, what] :
       {std::pair{plan::Action::soft, "soft "}, std::pair{plan::Action::line, "drawn lines "}}) {
    std::vector<int> ids;
    for (const auto* r : by_hand(c))
      if (r->action == action) ids.push_back(r->region.id);
    if (!ids.empty()) words += (words.empty() ? "" : "; ") + (what + ids_text(ids, 12));
  }
  out.push_back({Kind::text, words + ". Stopped out in every bath; tones on the page BY HAND."});
}

// Common practice, no source; product and shop rules come first.
void preparation_words(const SheetContent& c, std::vector<TextBlock>& out) {
  out.push_back({Kind::heading, "Preparation"});
  if (c.plan.stages.empty()) {
    const bool to_bite = std::ranges::any_of(c.plan.regions, too_short_to_bite);
    out.push_back({Kind::text,
                   c.plan.batch.empty() ? "Planned without a wedge: no minutes, no stages. Bite a "
                                          "wedge in this bath and plan again."
                   : to_bite            ? "Nothing can be bitten: what should be darker needs less "
                                          "than the shortest dip that you can time. See the report."
                                        : "Nothing to bite: no ground, no bath."});
    return;
  }
  if (c.plan.ground == plan::Ground::fresh) {
    out.push_back({Kind::tick, "Plate clean: no ink, no grease. Lowering done."});
    out.push_back({Kind::tick, "New ground laid and fixed, even in raking light."});
  } else {
    out.push_back({Kind::tick, "The ground of the last bite is whole: no break, no grease."});
  }
  out.push_back({Kind::tick, "Back, bevel and edges covered."});
  if (c.plan.bath) {
    const std::string planned = temperature_text(c.plan.bath->in_celsius(), c.fahrenheit);
    const bool as_wedge =
        c.batch && c.batch->temperature_c && c.plan.temperature_factor == 1;
    out.push_back({Kind::tick,
                   fmt::format("Bath {}: {}. Now: ________",
                               as_wedge ? "as for the wedge" : "as planned for, not as the wedge's",
                               planned)});
  } else {
    out.push_back({Kind::tick, "Bath temperature now: ________"});
  }
  if (!c.plan.control_strip.empty()) {
    std::string tones;
    for (const auto& patch : c.plan.control_strip)
      tones += (tones.empty() ? "" : ", ") + kept_together(density_text(patch.expected.value));
    out.push_back(
        {Kind::tick, "If wanted: a strip at the margin, one patch a stage: " + tones + "."});
  }
  out.push_back({Kind::text,
                 "In doubt pull the plate early: too little can be bitten again, too much must be "
                 "scraped."});
}

// The times hold at one temperature. Two degrees change them by some 5 to 10 % (activation
// energies of calibration/mordants.json).
std::string bath_rule(const SheetContent& c) {
  if (!c.plan.bath) return "";
  return fmt::format(" (times hold at {}; {} off: plan again)",
                     kept_together(temperature_text(c.plan.bath->in_celsius(), c.fahrenheit)),
                     c.fahrenheit ? "4 °F" : "2 °C");
}

// `plain`: hold as well.
std::string named(const std::vector<int>& ids, bool plain, std::size_t parts) {
  std::string words = plain ? "all plain parts (no number)" : "";
  if (!ids.empty()) words += (plain ? " and " : "") + ids_text(ids, parts);
  return words.empty() ? "nothing more" : words;
}

// What was found wrong with a scan says so in its first word (jobs: said_of). `wanted`: those, else
// all others.
Notes notes_of_scans(const SheetContent& c, bool wanted) {
  Notes out = all_notes(c);
  std::erase_if(out, [&](const std::string& n) {
    return (n.starts_with("Proof: ") || n.starts_with("Drawing: ")) != wanted;
  });
  return out;
}

}  // namespace

std::vector<TextBlock> first_page_words(const SheetContent& c) {
  std::vector<TextBlock> out;
  if (!c.plan.cautions.empty()) out.push_back({Kind::heading, "Take care"});
  for (const auto& words : c.plan.cautions) out.push_back({Kind::warning, words});
  lower_words(c, out);
  hand_words(c, out);
  const Notes scans = notes_of_scans(c, true);
  if (!scans.empty()) out.push_back({Kind::heading, "The scans"});
  for (const auto& words : scans) out.push_back({Kind::text, words});
  preparation_words(c, out);
  if (!c.plan.stages.empty()) out.push_back({Kind::heading, "The stages"});
  for (const auto& s : c.plan.stages) {
    out.push_back({Kind::tick,
                   fmt::format("Stage {}: {}. Before it stop out {}.",
                               s.number,
                               dip_text(s),
                               named(s.stop_out_before, s.number == 1 && has_hold(c), 12))});
  }
  return out;
}

std::vector<TextBlock> note_words(const SheetContent& c) {
  std::vector<TextBlock> out;
  const Notes notes = notes_of_scans(c, false);
  if (!notes.empty()) out.push_back({Kind::heading, "Notes"});
  for (const auto& words : notes) out.push_back({Kind::text, words});
  return out;
}

std::vector<TextBlock> by_hand_words(const SheetContent& c) {
  std::vector<TextBlock> out;
  const auto list = [&](plan::Action action, const char* head, const char* how) {
    bool any = false;
    for (const auto* r : by_hand(c)) {
      if (r->action != action) continue;
      if (!any) out.push_back({Kind::heading, head});
      if (!any) out.push_back({Kind::text, how});
      any = true;
      out.push_back({Kind::tick,
                     fmt::format("{}: {} · {}",
                                 r->region.id,
                                 aim(*r),
                                 kept_together(area_text(r->region.area_mm2, c.units)))});
    }
  };
  // How such parts are worked: common practice, no source but the shop's own (trade's blogs
  // differ).
  list(plan::Action::soft,
       "Soft passages",
       "No stop-out edge makes them. Brushed acid, crayon or stop-out drawn in by degrees, towards "
       "the second tone.");
  list(plan::Action::line,
       "Drawn lines",
       "Narrower than the brush: for the needle, in a bite of their own.");
  out.push_back({Kind::heading, "How to read this"});
  const bool guides = std::any_of(c.plan.regions.begin(), c.plan.regions.end(), [](const auto& r) {
    return r.guide.has_value();
  });
  if (guides)
    out.push_back({Kind::text,
                   "guide: the total that the wedge took for that change. Brushed acid and needled "
                   "lines do not follow the wedge: a rough guide, not a time to set."});
  out.push_back({Kind::text, "All of these are stopped out before the first dip."});
  out.push_back({Kind::warning, "Acid from a brush runs and spits: goggles, gloves, apron."});
  return out;
}

// "could need 1:16 to 3:19": the 90 % intervals of what is stopped out after this stage.
std::string doubt(const SheetContent& c, int stage) {
  std::optional<BiteTime> low, high;
  for (const auto& r : c.plan.regions) {
    if (r.stage != stage || !r.minutes || r.action != plan::Action::bite) continue;
    low = low ? std::min(*low, r.minutes->low) : r.minutes->low;
    high = high ? std::max(*high, r.minutes->high) : r.minutes->high;
  }
  if (!low) return "";
  return "What ends here could need " +
         kept_together(clock_text(*low) + " to " + clock_text(*high)) +
         " in all. In doubt pull early.";
}

std::vector<TextBlock> stage_words(const SheetContent& c, std::size_t stage, std::size_t parts) {
  const auto& s = c.plan.stages[stage];
  const bool last = stage + 1 == c.plan.stages.size();
  const std::string after =
      last ? "Then: clean the plate, pull a proof, scan it as dry as the last one (wet ink and "
             "paper "
             "read darker)."
           : "Then stop out " + named(c.plan.stages[stage + 1].stop_out_before, false, parts);
  const std::string degree = c.fahrenheit ? "°F" : "°C";
  std::vector<TextBlock> out = {
      {Kind::tick,
       "Stopped out and dry: " + named(s.stop_out_before, stage == 0 && has_hold(c), parts)},
      {Kind::tick, "Back, bevel and edges covered. Goggles and gloves on"},
      {Kind::tick, "Bath _______ " + degree + bath_rule(c)},
      {Kind::tick, "In the bath, by the clock: ____:____"},
      {Kind::tick, "Out and rinsed. It was in for ____ min ____ s"},
      {Kind::text, after}};
  if (const std::string words = doubt(c, s.number); !words.empty())
    out.push_back({Kind::text, words});
  if (const std::string aims = hand_aims(c, parts); !aims.empty())
    out.push_back({Kind::text, aims});
  return out;
}

}  // namespace rebite::sheets

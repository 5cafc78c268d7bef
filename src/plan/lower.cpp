#include "plan/lower.h"

#include <fmt/format.h>

#include <algorithm>
#include <iterator>
#include <map>
#include <string_view>

namespace rebite::plan {
namespace {

constexpr double scrape_gap = 0.30;
constexpr double scrape_gap_deep = 0.20;
constexpr double deep_tone = 1.0;
// Charcoal wears a whole passage evenly: wide zones, moderate gaps (Lalanne 1880; figures common
// practice, no source).
constexpr double charcoal_area_mm2 = 600, charcoal_from = 0.10, charcoal_to = 0.45;
// So much taken from so deep a tone leaves a hollow that prints as a spot when it goes beyond half
// the plate's thickness (Lalanne 1880; the densities are common practice, no source).
constexpr double hollow_gap = 0.60;
constexpr double burnisher_area_mm2 = 400;
// How the warnings begin.
constexpr std::string_view deep_begins = "Deep:", border_begins = "Touches region";

void note_effort(PlannedRegion& p) {
  const double lighter = (p.region.now.value - p.aim()).value();
  if (lighter <= 0) return;  // by hand, towards a tone that is no lighter: told by decide
  const double cm2 = p.region.area_mm2 / 100;
  const char* how_much = lighter < 0.15 ? "slight" : lighter < scrape_gap ? "strong" : "most of it";
  p.notes.push_back(p.action == Action::scrape
                        ? fmt::format("{:.1f} cm2 to scrape, then burnish ({}).", cm2, how_much)
                        : fmt::format("{:.1f} cm2 to burnish ({}).", cm2, how_much));
  if (p.region.area_mm2 >= charcoal_area_mm2 && lighter >= charcoal_from &&
      lighter <= charcoal_to) {
    p.notes.push_back("Wide and moderate: charcoal wears the whole passage evenly.");
  } else if (p.action == Action::burnish && p.region.area_mm2 > burnisher_area_mm2) {
    p.notes.push_back("Large for a burnisher: work in passes and prove between them.");
  }
  if (lighter >= hollow_gap && p.region.now.value.value() >= deep_tone) {
    p.notes.push_back(
        std::string(deep_begins) +
        " measure with calipers; a hollow beyond half the plate's thickness prints as a spot "
        "and is hammered up from the back.");
  }
}

bool is_bitten(const PlannedRegion& p) {
  // Without a wedge there are no minutes, but it will be bitten.
  if (p.action == Action::bite && !p.minutes) return true;
  return (p.action == Action::bite || p.action == Action::beyond) && p.minutes &&
         p.minutes->advised > BiteTime::minutes(0);
}

void note_border(PlannedRegion& lowered, PlannedRegion& bitten, Ground ground) {
  const int id = bitten.region.id;
  if (ground == Ground::kept) {
    lowered.notes.push_back(fmt::format(
        "{} {}, which is bitten before: do not burnish over the border into its new "
        "tone.",
        border_begins,
        id));
    return;
  }
  lowered.notes.push_back(fmt::format(
      "{} {}, which is bitten: a hollow misses the new ground and bites foul; cover "
      "the border by brush.",
      border_begins,
      id));
  bitten.notes.push_back(fmt::format(
      "Touches region {}, which is lowered first: look at the ground along that border.",
      lowered.region.id));
}

}  // namespace

Action lowering_for(const tone::Region& region) {
  const double lighter = -region.gap.value();
  if (lighter > scrape_gap) return Action::scrape;
  if (lighter > scrape_gap_deep && region.now.value.value() > deep_tone) return Action::scrape;
  return Action::burnish;
}

void note_lowering(std::vector<PlannedRegion>& regions, Ground ground) {
  std::map<int, PlannedRegion*> by_id;
  for (PlannedRegion& p : regions) by_id[p.region.id] = &p;
  for (PlannedRegion& p : regions) {
    if (!lowers(p.action)) continue;
    note_effort(p);
    for (const int id : p.region.neighbours) {
      const auto found = by_id.find(id);
      if (found == by_id.end() || !is_bitten(*found->second)) continue;
      note_border(p, *found->second, ground);
    }
  }
}

Notes lowering_warnings(const PlannedRegion& region) {
  Notes out;
  if (!lowers(region.action)) return out;
  std::ranges::copy_if(region.notes, std::back_inserter(out), [](const std::string& note) {
    return note.starts_with(deep_begins) || note.starts_with(border_begins);
  });
  return out;
}

std::vector<int> lower_list(const std::vector<PlannedRegion>& regions) {
  std::vector<const PlannedRegion*> lower;
  for (const PlannedRegion& p : regions) {
    if (lowers(p.action) || lowered_by_eye(p)) lower.push_back(&p);
  }
  std::sort(lower.begin(), lower.end(), [](const PlannedRegion* a, const PlannedRegion* b) {
    if (lowered_by_eye(*a) != lowered_by_eye(*b)) return lowered_by_eye(*b);
    if (a->region.area_mm2 != b->region.area_mm2) return a->region.area_mm2 > b->region.area_mm2;
    return a->region.id < b->region.id;
  });
  std::vector<int> ids;
  for (const PlannedRegion* p : lower) ids.push_back(p->region.id);
  return ids;
}

}  // namespace rebite::plan

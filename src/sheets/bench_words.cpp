#include "sheets/bench_words.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>

#include "sheets/wording.h"

namespace rebite::sheets {
namespace {

using Kind = TextBlock::Kind;

void lower_words(const SheetContent& c, std::vector<TextBlock>& out) {
  std::map<int, const plan::PlannedRegion*> by_id;
  for (const auto& r : c.plan.regions) by_id[r.region.id] = &r;
  out.push_back({Kind::heading, "Lower first"});
  double area = 0;
  for (const int id : c.plan.lower_first) {
    const auto it = by_id.find(id);
    if (it == by_id.end()) continue;
    const auto& r = *it->second;
    area += r.region.area_mm2;
    out.push_back({Kind::tick,
                   fmt::format("{}: {} · {} · {} to {}",
                               id,
                               action_text(r.action),
                               area_text(r.region.area_mm2, c.units),
                               density_text(r.region.now.value),
                               density_text(r.region.target.value))});
  }
  if (c.plan.lower_first.empty()) {
    out.push_back({Kind::text, "Nothing to scrape or burnish."});
  } else {
    out.push_back({Kind::text,
                   fmt::format("{}, {} in all. Before the ground is laid.",
                               count_text(c.plan.lower_first.size(), "zone", "zones"),
                               area_text(area, c.units))});
  }
}

// Common practice, no source; product and shop rules come first.
void preparation_words(const SheetContent& c, std::vector<TextBlock>& out) {
  out.push_back({Kind::heading, "Preparation"});
  if (c.plan.stages.empty()) {
    out.push_back({Kind::text,
                   c.plan.batch.empty() ? "Planned without a wedge: no minutes, no stages. Bite a "
                                          "wedge in this bath and plan again."
                                        : "Nothing to bite: no ground, no bath."});
    return;
  }
  if (c.plan.ground == plan::Ground::fresh) {
    out.push_back({Kind::tick, "Plate clean: no ink, no grease. Lower-first zones done."});
    out.push_back({Kind::tick, "New ground laid and fixed, even in raking light."});
  } else {
    out.push_back({Kind::tick, "The ground of the last bite is whole: no break, no grease."});
  }
  out.push_back({Kind::tick, "Back, bevel and edges covered."});
  if (c.batch && c.batch->temperature_c) {
    out.push_back({Kind::tick,
                   fmt::format("Bath as for the wedge: {}. Now: ________",
                               temperature_text(*c.batch->temperature_c, c.fahrenheit))});
  } else {
    out.push_back({Kind::tick, "Bath temperature now: ________"});
  }
  out.push_back({Kind::text,
                 "In doubt pull the plate early: too little can be bitten again, too much must be "
                 "scraped."});
}

bool has_hold(const SheetContent& c) {
  return cv::countNonZero(c.map.labels) < static_cast<int>(c.map.labels.total());
}

// `plain`: hold as well.
std::string named(const std::vector<int>& ids, bool plain, std::size_t parts) {
  std::string words = plain ? "all plain parts (no number)" : "";
  if (!ids.empty()) words += (plain ? " and " : "") + ids_text(ids, parts);
  return words.empty() ? "nothing more" : words;
}

}  // namespace

std::vector<TextBlock> first_page_words(const SheetContent& c) {
  std::vector<TextBlock> out;
  if (!c.plan.cautions.empty()) out.push_back({Kind::heading, "Take care"});
  for (const auto& words : c.plan.cautions) out.push_back({Kind::warning, words});
  lower_words(c, out);
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
  if (!c.plan.notes.empty()) out.push_back({Kind::heading, "Notes"});
  for (const auto& words : c.plan.notes) out.push_back({Kind::text, words});
  return out;
}

std::vector<TextBlock> stage_words(const SheetContent& c, std::size_t stage, std::size_t parts) {
  const auto& s = c.plan.stages[stage];
  const bool last = stage + 1 == c.plan.stages.size();
  const std::string after =
      last ? "Then: clean the plate, pull a proof, scan it."
           : "Then stop out " + named(c.plan.stages[stage + 1].stop_out_before, false, parts);
  const std::string degree = c.fahrenheit ? "°F" : "°C";
  return {{Kind::tick,
           "Stopped out and dry: " + named(s.stop_out_before, stage == 0 && has_hold(c), parts)},
          {Kind::tick, "Back, bevel and edges covered"},
          {Kind::tick, "In the bath at ____:____"},
          {Kind::tick, "Bath ________ " + degree},
          {Kind::tick, "Out and rinsed, time as done ____:____"},
          {Kind::text, after}};
}

}  // namespace rebite::sheets

#include "jobs/hand_edits.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <nlohmann/json.hpp>

#include "jobs/guard.h"
#include "jobs/pictures.h"
#include "tone/edit_map.h"

namespace rebite::jobs {
namespace {
using Json = nlohmann::ordered_json;
using What = HandEdit::What;

constexpr std::size_t most_edits = 500, most_points = 5000;

std::unexpected<Problem> wrong(std::string what) {
  return refuse(ProblemKind::data, "a change by hand: " + std::move(what), "Make it again.");
}

Result<double> number(const Json& j, double low, double high, std::string_view key) {
  if (j.is_number() && std::isfinite(j.get<double>()) && j.get<double>() >= low &&
      j.get<double>() <= high) {
    return j.get<double>();
  }
  return wrong(fmt::format("\"{}\" is not a number from {:g} to {:g}", key, low, high));
}

Result<int> region_number(const Json& j) {
  const auto n = number(j, 1, 65535, "region");
  if (!n) return std::unexpected(n.error());
  if (*n != std::floor(*n)) return wrong("a region's number is not whole");
  return static_cast<int>(*n);
}

Result<std::vector<PlateMm>> line_of(const Json& j) {
  if (!j.is_array() || j.empty() || j.size() > most_points) {
    return wrong(fmt::format("a line has 1 to {} points", most_points));
  }
  std::vector<PlateMm> out;
  for (const auto& p : j) {
    if (!p.is_array() || p.size() != 2) return wrong("a point of a line is not [x, y]");
    const auto x = number(p[0], -2000, 4000, "line_mm"), y = number(p[1], -2000, 4000, "line_mm");
    if (!x || !y) return std::unexpected((x ? y : x).error());
    out.push_back({*x, *y});
  }
  return out;
}

// The edit's own numbers, key by key.
Result<void> read_key(HandEdit& e, const std::string& key, const Json& value) {
  const auto into = [&](auto& target, const auto& read) -> Result<void> {
    if (!read) return std::unexpected(read.error());
    target = *read;
    return {};
  };
  if (key == "do") return {};
  if (key == "region") return into(e.region, region_number(value));
  if (key == "line_mm") return into(e.line, line_of(value));
  if (key == "radius_mm") return into(e.radius_mm, number(value, 0.2, 100, key));
  if (key == "regions") {
    if (!value.is_array() || value.size() != 2) return wrong("two regions are joined at a time");
    if (auto ok = into(e.region, region_number(value[0])); !ok) return ok;
    return into(e.other, region_number(value[1]));
  }
  if (key == "action") {
    if (value.is_string()) e.change.action = plan::action_of(value.get<std::string>());
    if (e.change.action) return {};
    return wrong("\"action\" is none of bite, burnish, scrape, hold, line, soft, beyond");
  }
  if (key == "density") {
    const auto d = number(value, 0, 4, key);
    if (!d) return std::unexpected(d.error());
    e.change.target = Density::of(*d);
    return {};
  }
  if (key == "minutes") {
    const auto m = number(value, 0, 48 * 60, key);
    if (!m) return std::unexpected(m.error());
    e.change.minutes = BiteTime::minutes(*m);
    return {};
  }
  return wrong(fmt::format("\"{}\" is not known", key.substr(0, 40)));
}

Result<HandEdit> one(const Json& j) {
  if (!j.is_object() || !j.contains("do") || !j["do"].is_string()) return wrong("is not an object");
  HandEdit e;
  const std::string what = j["do"];
  if (what == "set")
    e.what = What::set;
  else if (what == "join")
    e.what = What::join;
  else if (what == "cut")
    e.what = What::cut;
  else if (what == "leave")
    e.what = What::leave;
  else
    return wrong("\"do\" is none of set, join, cut, leave");
  for (const auto& [key, value] : j.items()) {
    if (auto ok = read_key(e, key, value); !ok) return std::unexpected(ok.error());
  }
  const bool changes = e.change.action || e.change.target || e.change.minutes;
  const bool complete = e.what == What::set    ? e.region > 0 && changes
                        : e.what == What::join ? e.region > 0 && e.other > 0
                        : e.what == What::cut  ? e.region > 0 && e.line.size() >= 2
                                               : !e.line.empty();
  if (!complete) return wrong(fmt::format("\"{}\" lacks something", what));
  return e;
}

Json json_of(const HandEdit& e) {
  Json line = Json::array();
  for (const auto& p : e.line) line.push_back({p.x, p.y});
  switch (e.what) {
    case What::join:
      return {{"do", "join"}, {"regions", {e.region, e.other}}};
    case What::cut:
      return {{"do", "cut"}, {"region", e.region}, {"line_mm", line}};
    case What::leave:
      return {{"do", "leave"}, {"line_mm", line}, {"radius_mm", e.radius_mm}};
    case What::set:
      break;
  }
  Json j{{"do", "set"}, {"region", e.region}};
  if (e.change.action) j["action"] = plan::word(*e.change.action);
  if (e.change.target) j["density"] = e.change.target->value();
  if (e.change.minutes) j["minutes"] = e.change.minutes->in_minutes();
  return j;
}

// What was set by hand on a region goes with it: into a joined one, into both pieces of a cut.
Result<void> apply(const HandEdit& e,
                   tone::RegionMap& map,
                   std::map<int, plan::Edit>& by_id,
                   double brush_mm) {
  const auto known = [&](int id) {
    return std::any_of(
        map.regions.begin(), map.regions.end(), [id](const auto& r) { return r.id == id; });
  };
  switch (e.what) {
    case What::set: {
      if (!known(e.region)) return wrong(fmt::format("there is no region {}", e.region));
      plan::Edit& set = by_id[e.region];
      if (e.change.action) {
        // Another action takes minutes set before with it.
        set = {e.change.action, set.target, {}};
      }
      if (e.change.target) set.target = e.change.target;
      if (e.change.minutes) set.minutes = e.change.minutes;
      return {};
    }
    case What::join:
      if (auto ok = tone::join_regions(map, e.region, e.other); !ok) return ok;
      if (const int gone = std::max(e.region, e.other); by_id.contains(gone)) {
        by_id.try_emplace(std::min(e.region, e.other), by_id[gone]);
        by_id.erase(gone);
      }
      return {};
    case What::cut: {
      std::vector<int> before;
      for (const auto& r : map.regions) before.push_back(r.id);
      if (auto ok = tone::cut_region(map, e.region, e.line, brush_mm); !ok) return ok;
      for (const auto& r : map.regions) {
        const bool fresh = std::find(before.begin(), before.end(), r.id) == before.end();
        if (fresh && by_id.contains(e.region)) by_id[r.id] = by_id[e.region];
      }
      return {};
    }
    case What::leave:
      return tone::leave_alone(map, e.line, e.radius_mm);
  }
  return {};
}

}  // namespace

Result<std::vector<HandEdit>> hand_edits_from_json(std::string_view text) {
  const Json all = Json::parse(text, nullptr, false);
  if (!all.is_array()) return wrong("is not a list");
  if (all.size() > most_edits) {
    return wrong(fmt::format("{} are more than {}", all.size(), most_edits));
  }
  std::vector<HandEdit> out;
  for (const auto& j : all) {
    auto e = one(j);
    if (!e) return std::unexpected(e.error());
    out.push_back(std::move(*e));
  }
  return out;
}

std::string hand_edits_json(const std::vector<HandEdit>& edits) {
  Json all = Json::array();
  for (const auto& e : edits) all.push_back(json_of(e));
  return all.dump();
}

std::string hand_edit_text(const HandEdit& e) {
  switch (e.what) {
    case What::join:
      return fmt::format("{} and {} joined", e.region, e.other);
    case What::cut:
      return fmt::format("{} cut in two", e.region);
    case What::leave:
      return "painted 'leave alone'";
    case What::set:
      break;
  }
  std::string out = fmt::format("{}:", e.region);
  if (e.change.action) out += fmt::format(" {}", plan::word(*e.change.action));
  if (e.change.target) out += fmt::format(" to {:.2f} D", e.change.target->value());
  if (e.change.minutes) out += fmt::format(" for {}", clock_text(*e.change.minutes));
  return out;
}

Result<sheets::SheetContent> with_edits(const KeptPlan& kept, const std::vector<HandEdit>& edits) {
  return guarded("Planning again", [&]() -> Result<sheets::SheetContent> {
    sheets::SheetContent c = kept.content;
    if (edits.empty()) return c;
    c.map.labels = kept.content.map.labels.clone();
    plan::PlanOptions options = kept.options;
    for (std::size_t k = 0; k < edits.size(); ++k) {
      if (auto ok = apply(edits[k], c.map, options.edits, kept.brush_mm); !ok) {
        return std::unexpected(ok.error());
      }
    }
    // What was set on a region that is gone by now has nothing to say.
    std::erase_if(options.edits, [&](const auto& entry) {
      return std::none_of(c.map.regions.begin(), c.map.regions.end(), [&](const auto& r) {
        return r.id == entry.first;
      });
    });
    std::sort(c.map.regions.begin(), c.map.regions.end(), [](const auto& a, const auto& b) {
      return a.id < b.id;
    });
    auto plan = plan::plan_bites(c.map.regions, c.batch ? &*c.batch : nullptr, options);
    if (!plan) return std::unexpected(plan.error());
    c.plan = std::move(*plan);
    c.plan.notes.insert(c.plan.notes.end(), kept.context_notes.begin(), kept.context_notes.end());
    const NextTone next(c.plan, c.map);
    c.next_proof_picture =
        as_grey(next_proof_in_plate(relative_of_grey(c.proof_picture), c.map.labels.size(), next));
    c.gap_shares = gap_shares_of(c.map, c.plan);
    return c;
  });
}

std::string edited_plan_json(const sheets::SheetContent& content,
                             int revision,
                             const std::vector<HandEdit>& edits) {
  Json j = Json::parse(sheets::plan_json(content));
  j["revision"] = revision;
  j["edits"] = Json::parse(hand_edits_json(edits));
  return j.dump(1) + "\n";
}

}  // namespace rebite::jobs

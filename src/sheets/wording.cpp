#include "sheets/wording.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "plan/lower.h"

namespace rebite::sheets {
namespace {

constexpr double mm_per_inch = 25.4;

// Fixed decimals with a true minus sign; "-0.00" is "0.00"; not finite is a dash.
std::string fixed(double v, int decimals, bool with_sign = false) {
  if (!std::isfinite(v)) return "–";
  const double unit = std::pow(10.0, -decimals);
  if (std::abs(v) < unit / 2) v = 0;
  const std::string digits = fmt::format("{:.{}f}", std::abs(v), decimals);
  if (v < 0) return "−" + digits;
  return with_sign && v > 0 ? "+" + digits : digits;
}

// One decimal, left out where it is zero.
std::string short_fixed(double v) {
  const bool whole = std::isfinite(v) && std::abs(v - std::round(v)) < 0.05;
  return fixed(v, whole ? 0 : 1);
}

}  // namespace

std::string length_text(double mm, Units units) {
  if (units == Units::inches) return fixed(mm / mm_per_inch, 2) + " in";
  return short_fixed(mm) + " mm";
}

std::string size_text(SizeMm s, Units units) {
  if (units == Units::inches) {
    return fixed(s.width / mm_per_inch, 2) + " × " + fixed(s.height / mm_per_inch, 2) + " in";
  }
  return short_fixed(s.width) + " × " + short_fixed(s.height) + " mm";
}

std::string area_text(double mm2, Units units) {
  if (units == Units::inches) return fixed(mm2 / (mm_per_inch * mm_per_inch), 2) + " in²";
  const double cm2 = mm2 / 100;
  return fixed(cm2, cm2 < 1 ? 2 : 1) + " cm²";
}

std::string temperature_text(double celsius, bool fahrenheit) {
  if (fahrenheit) return short_fixed(Temperature::celsius(celsius).in_fahrenheit()) + " °F";
  return short_fixed(celsius) + " °C";
}

std::string density_text(Density d) { return "D " + fixed(d.value(), 2); }

std::string density_text(const DensityEstimate& d) {
  return density_text(d.value) + " ± " + fixed(d.sd, 2);
}

std::string gap_text(ToneGap gap) { return fixed(gap.value(), 2, true) + " D"; }

std::string gap_text(ToneGap gap, double sd) {
  return fixed(gap.value(), 2, true) + " ± " + fixed(sd, 2) + " D";
}

std::string minutes_text(const plan::Minutes& m) {
  return clock_text(m.advised) + " (" + clock_text(m.low) + " to " + clock_text(m.high) + ")";
}

std::string dip_text(const plan::Stage& s) {
  return "dip " + clock_text(s.dip) + " · total " + clock_text(s.total);
}

std::string stage_heading(const plan::Stage& s, std::size_t stages) {
  return fmt::format("STAGE {} of {}", s.number, stages);
}

std::string date_of(const std::string& iso) {
  return iso.substr(0, std::min<std::size_t>(10, iso.size()));
}

std::string action_text(plan::Action a) {
  switch (a) {
    case plan::Action::bite:
      return "bite";
    case plan::Action::burnish:
      return "burnish";
    case plan::Action::scrape:
      return "scrape, then burnish";
    case plan::Action::hold:
      return "leave alone";
    case plan::Action::line:
      return "drawn lines: stop out, needle them later";
    case plan::Action::soft:
      return "soft passage: by free hand";
    case plan::Action::beyond:
      return "darker than this batch reaches";
  }
  return "";
}

std::string action_key(plan::Action a) { return plan::word(a); }

std::string ground_text(plan::Ground g) {
  return g == plan::Ground::fresh ? "fresh ground" : "ground kept";
}

std::string count_text(std::size_t n, const std::string& one, const std::string& many) {
  return fmt::format("{} {}", n, n == 1 ? one : many);
}

std::string ids_text(std::vector<int> ids, std::size_t max_parts) {
  std::sort(ids.begin(), ids.end());
  ids.erase(std::unique(ids.begin(), ids.end()), ids.end());
  std::string out;
  std::size_t parts = 0;
  for (std::size_t i = 0; i < ids.size();) {
    if (max_parts > 0 && parts == max_parts) {
      out += fmt::format(" and {} more", ids.size() - i);
      break;
    }
    std::size_t j = i;
    while (j + 1 < ids.size() && ids[j + 1] == ids[j] + 1) ++j;
    if (!out.empty()) out += ", ";
    if (j - i >= 2) {
      out += fmt::format("{}-{}", ids[i], ids[j]);
      i = j + 1;
    } else {
      out += fmt::format("{}", ids[i]);
      ++i;
    }
    ++parts;
  }
  return out;
}

std::string lowered_text(const plan::PlannedRegion& r, const SheetContent& c) {
  const Density to = r.aim();
  if (!c.batch) return density_text(to);
  const Density bare = c.batch->curve.lightest();
  if ((to - bare).value() > visible_step(bare).value()) return density_text(to);
  return "nearly bare metal (" + density_text(to) + ")";
}

std::vector<const plan::PlannedRegion*> to_lower(const SheetContent& c) {
  std::vector<const plan::PlannedRegion*> out;
  for (const int id : c.plan.lower_first)
    for (const auto& r : c.plan.regions)
      if (r.region.id == id) out.push_back(&r);
  for (const auto& r : c.plan.regions) {
    if (plan::lowered_by_eye(r) && std::find(out.begin(), out.end(), &r) == out.end())
      out.push_back(&r);
  }
  return out;
}

std::string lowering_text(const plan::PlannedRegion& r) {
  if (r.action == plan::Action::soft) return "burnish by degrees";
  if (r.action == plan::Action::line) return "burnish along the line";
  return action_text(r.action);
}

std::string when_to_lower(plan::Ground ground) {
  return ground == plan::Ground::fresh ? "before the new ground is laid" : "after this bite";
}

std::vector<const plan::PlannedRegion*> by_hand(const SheetContent& c) {
  std::vector<const plan::PlannedRegion*> out;
  for (const plan::Action action : {plan::Action::soft, plan::Action::line})
    for (const auto& r : c.plan.regions)
      if (r.action == action && !plan::lowered_by_eye(r)) out.push_back(&r);
  return out;
}

bool has_hold(const SheetContent& c) {
  return cv::countNonZero(c.map.labels) < static_cast<int>(c.map.labels.total());
}

double area_of(const std::vector<const plan::PlannedRegion*>& regions) {
  double mm2 = 0;
  for (const auto* r : regions) mm2 += r->region.area_mm2;
  return mm2;
}

Notes all_notes(const SheetContent& c) {
  Notes out;
  const auto say = [&](const std::string& note) {
    if (std::find(out.begin(), out.end(), note) == out.end()) out.push_back(note);
  };
  for (const Notes* notes : {&c.plan.notes, &c.map.notes, &c.alignment.notes})
    for (const std::string& n : *notes) say(n);
  // Said when the wedge was read: without its name they would be taken for the proof's.
  if (c.batch)
    for (const std::string& n : c.batch->notes) say("Wedge: " + n);
  return out;
}

}  // namespace rebite::sheets

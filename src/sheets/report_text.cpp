#include "sheets/report_text.h"

#include <fmt/format.h>

#include <cmath>

#include "plan/lower.h"

namespace rebite::sheets {
namespace {

// Rounded to two decimals, so that the sign shown belongs to the digits shown.
double hundredths(double d) { return std::round(d * 100) / 100 + 0.0; }

std::string minutes_words(const plan::PlannedRegion& r, const plan::BitePlan& plan) {
  for (const auto& s : plan.stages) {
    if (s.number == r.stage)
      return fmt::format(
          "Leave open through stage {}: {} in all. Then stop out.", s.number, clock_text(s.total));
  }
  if (!plan.stages.empty() && r.minutes)
    return fmt::format(
        "Left this time: no stage is near its {}. Stop out before the first dip; bite it in a "
        "later round.",
        clock_text(r.minutes->advised));
  return r.minutes ? fmt::format("{} in the bath.", clock_text(r.minutes->advised)) : "";
}

}  // namespace

std::string tone_number(double d) {
  return std::isfinite(d) ? fmt::format("{:.2f}", hundredths(d)) : "not seen";
}

std::string gap_number(double gap) {
  if (!std::isfinite(gap)) return "not seen";
  const double h = hundredths(gap);
  if (h == 0) return "0.00";
  return fmt::format("{}{:.2f}", h > 0 ? "+" : "−", std::abs(h));
}

std::string plus_minus(double sd) {
  if (!std::isfinite(sd)) return " <span class=\"pm\">± ?</span>";
  return fmt::format(" <span class=\"pm\">± {:.2f}</span>", sd);
}

std::string tone_html(const DensityEstimate& e) {
  return tone_number(e.value.value()) + plus_minus(e.sd);
}

std::string gap_html(ToneGap gap, double sd) { return gap_number(gap.value()) + plus_minus(sd); }

std::string range_text(BiteTime low, BiteTime high) {
  return clock_text(low) + "–" + clock_text(high);
}

std::string percent_text(double share) {
  const double p = 100 * share;
  if (p > 0 && p < 0.5) return "< 1 %";
  return fmt::format("{:.0f} %", p);
}

std::string fine_length_text(double mm, Units units) {
  if (!std::isfinite(mm)) return "unknown";
  if (units == Units::inches) return fmt::format("{:.3f} in", mm / 25.4);
  if (mm > 0 && mm < 0.005) return "0.005 mm or less";
  return fmt::format("{:.2f} mm", mm);
}

std::string aim_words(const plan::PlannedRegion& r) {
  std::string out = fmt::format(
      "from {} to {}", tone_number(r.region.now.value.value()), tone_number(r.aim().value()));
  if (r.guide) out += fmt::format(" (rough guide: the wedge took {})", clock_text(*r.guide));
  return out;
}

std::string action_words(const plan::PlannedRegion& r) {
  if (plan::lowered_by_eye(r))
    return r.action == plan::Action::soft ? "Burnish by degrees" : "Burnish along the line";
  switch (r.action) {
    case plan::Action::bite:
      return "Bite";
    case plan::Action::burnish:
      return "Burnish";
    case plan::Action::scrape:
      return "Scrape, then burnish";
    case plan::Action::hold:
      return "Hold";
    case plan::Action::line:
      return "Line work";
    case plan::Action::soft:
      return "Soft passage";
    case plan::Action::beyond:
      return "Beyond reach";
  }
  return "";
}

std::string advice(const plan::PlannedRegion& r, const plan::BitePlan& plan) {
  const double lighter = (r.region.now.value - r.aim()).value();
  const std::string down =
      lighter > 0 ? fmt::format(", to come down by {:.2f}", lighter) : std::string(", by eye");
  const std::string when = when_to_lower(plan.ground);
  if (plan::lowered_by_eye(r))
    return action_words(r) + " " + when + ", " + aim_words(r) + ". No acid: it must come lighter.";
  switch (r.action) {
    case plan::Action::bite:
      return minutes_words(r, plan);
    case plan::Action::burnish:
      return fmt::format("Burnish {}{}.", when, down);
    case plan::Action::scrape:
      return fmt::format("Scrape {}{}; then burnish.", when, down);
    case plan::Action::hold:
      return "Leave alone. Stop out before the first dip.";
    case plan::Action::line:
      return "Drawn line work, not a tone area. Stop out; the line itself is for the needle, " +
             aim_words(r) + ".";
    case plan::Action::soft:
      return "A gradual passage that no stop-out edge can make. Work it free-hand, " +
             aim_words(r) + "." +
             (r.nearest ? fmt::format(" It is wanted darker than this batch and ground can reach: "
                                      "{} at most.",
                                      tone_number(r.nearest->value()))
                        : "");
    case plan::Action::beyond:
      return fmt::format(
          "Darker than this batch and ground can reach{}. {}{}",
          r.nearest ? fmt::format("; the nearest tone is {}", tone_number(r.nearest->value())) : "",
          minutes_words(r, plan),
          r.stage > 0
              ? fmt::format(" That brings it to {}.", tone_number(r.predicted.value.value()))
              : "");
  }
  return "";
}

std::string list_text(const std::vector<int>& ids) {
  std::string out;
  for (std::size_t i = 0; i < ids.size(); ++i) {
    if (i > 0) out += i + 1 == ids.size() ? " and " : ", ";
    out += fmt::format("{}", ids[i]);
  }
  return out;
}

}  // namespace rebite::sheets

#include "sheets/report_plots.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "sheets/report_text.h"

namespace rebite::sheets {
namespace {

constexpr double z90 = 1.645;

// ---- tone curve ----
constexpr double cx0 = 56, cx1 = 700, cy0 = 330, cy1 = 44;  // viewBox 0 0 720 390

struct CurveAxes {
  double minutes_max = 1, density_max = 1;
  double x(double minutes) const { return cx0 + (cx1 - cx0) * std::sqrt(minutes / minutes_max); }
  double y(double density) const {
    return cy0 + (cy1 - cy0) * std::clamp(density / density_max, 0.0, 1.0);
  }
};

CurveAxes axes_of(const wedge::Batch& b) {
  CurveAxes a;
  a.minutes_max = b.curve.table().minutes.back();
  double top = b.curve.table().density.back();
  for (const auto& s : b.steps) {
    a.minutes_max = std::max(a.minutes_max, s.time.in_minutes());
    top = std::max(top, s.density.value() + z90 * s.sd);
  }
  a.density_max = std::ceil((top + 0.05) * 5) / 5;
  return a;
}

std::string band(const wedge::Batch& b, const CurveAxes& a) {
  const auto& t = b.curve.table();
  std::string upper, lower;
  for (std::size_t i = 0; i < t.minutes.size(); ++i) {
    upper += fmt::format(
        "{}{:.1f} {:.1f}", i ? "L" : "M", a.x(t.minutes[i]), a.y(t.density[i] + z90 * t.sd[i]));
    const std::size_t j = t.minutes.size() - 1 - i;
    lower += fmt::format("L{:.1f} {:.1f}", a.x(t.minutes[j]), a.y(t.density[j] - z90 * t.sd[j]));
  }
  std::string line;
  for (std::size_t i = 0; i < t.minutes.size(); ++i)
    line += fmt::format("{}{:.1f} {:.1f}", i ? "L" : "M", a.x(t.minutes[i]), a.y(t.density[i]));
  return "<path class=\"band\" d=\"" + upper + lower + "z\"/><path class=\"curve\" d=\"" + line +
         "\"/>";
}

std::string curve_axes(const CurveAxes& a) {
  std::string out;
  for (int i = 0; i * 0.2 <= a.density_max + 1e-9; ++i) {
    const double y = a.y(i * 0.2);
    out += fmt::format(
        "<path class=\"grid\" d=\"M{0} {1:.1f}H{2}\"/><text class=\"tick\" x=\"{3}\" "
        "y=\"{4:.1f}\" text-anchor=\"end\">{5:.1f}</text>",
        cx0,
        y,
        cx1,
        cx0 - 8,
        y + 5,
        i * 0.2);
  }
  double last = -100;
  for (const double t : {0.0, 0.25, 1.0, 2.0, 4.0, 8.0, 16.0, 32.0, 64.0, 128.0}) {
    if (t > a.minutes_max || a.x(t) < last + 40) continue;
    last = a.x(t);
    out += fmt::format(
        "<path class=\"axis\" d=\"M{0:.1f} {1}v6\"/><text class=\"tick\" x=\"{0:.1f}\" "
        "y=\"{2}\" text-anchor=\"middle\">{3}</text>",
        last,
        cy0,
        cy0 + 22,
        clock_text(BiteTime::minutes(t)));
  }
  out += fmt::format("<path class=\"axis\" d=\"M{0} {1}V{2}H{3}\"/>", cx0, cy1, cy0, cx1);
  out += fmt::format(
      "<text class=\"label\" x=\"{}\" y=\"{}\" text-anchor=\"end\">total time in the "
      "bath, m:ss</text><text class=\"label\" x=\"{}\" y=\"16\">tone (density above "
      "paper)</text>",
      cx1,
      cy0 + 46,
      4);
  return out;
}

std::string plan_times(const SheetContent& c, const CurveAxes& a) {
  std::string out;
  double last = -100;
  int row = 0;
  for (const auto& s : c.plan.stages) {
    const double x = a.x(s.total.in_minutes());
    row = x < last + 46 ? row + 1 : 0;
    last = x;
    out += fmt::format(
        "<path class=\"dip\" d=\"M{0:.1f} {1}V{2}\"/><text class=\"dipname\" "
        "x=\"{0:.1f}\" y=\"{3}\" text-anchor=\"middle\">{4}</text>",
        x,
        cy0,
        cy1 - 2 + 15 * (row % 2),
        cy1 - 8 + 15 * (row % 2),
        clock_text(s.total));
  }
  return out;
}

// ---- histogram ----
constexpr double hx0 = 48, hx1 = 690, hy0 = 230, hy1 = 30;  // viewBox 0 0 720 290

void add(std::vector<double>& bins, const GapShares& s, double gap, double weight) {
  const auto last = static_cast<double>(bins.size() - 1);
  const double k = std::clamp(std::floor((gap - s.from) / s.step + 1e-9), 0.0, last);
  bins[static_cast<std::size_t>(k)] += weight;
}

}  // namespace

nlohmann::ordered_json curve_data(const SheetContent& c) {
  if (!c.batch) return nullptr;
  const CurveAxes a = axes_of(*c.batch);
  const auto& t = c.batch->curve.table();
  nlohmann::ordered_json j = {{"x0", cx0},
                              {"x1", cx1},
                              {"y0", cy0},
                              {"y1", cy1},
                              {"minutes_max", a.minutes_max},
                              {"density_max", a.density_max}};
  j["minutes"] = t.minutes;
  j["density"] = t.density;
  std::vector<double> low, high;
  for (std::size_t i = 0; i < t.minutes.size(); ++i) {
    low.push_back(t.density[i] - z90 * t.sd[i]);
    high.push_back(t.density[i] + z90 * t.sd[i]);
  }
  j["low"] = low;
  j["high"] = high;
  j["useful_until_minutes"] = c.batch->curve.useful_until().in_minutes();
  return j;
}

std::string curve_svg(const SheetContent& c) {
  if (!c.batch) return "";
  const wedge::Batch& b = *c.batch;
  const CurveAxes a = axes_of(b);
  std::string out = fmt::format(
      "<svg class=\"plot\" viewBox=\"0 0 720 390\" role=\"img\" aria-label=\"Tone curve of "
      "batch {}: density against total time, with the plan's times\">",
      escaped(b.name));
  const double end = a.x(std::min(b.curve.useful_until().in_minutes(), a.minutes_max));
  out += curve_axes(a);
  if (end < cx1 - 1)
    out += fmt::format(
        "<rect class=\"past\" x=\"{0:.1f}\" y=\"{1}\" width=\"{2:.1f}\" "
        "height=\"{3}\"/><text class=\"tick\" x=\"{4:.1f}\" y=\"{5}\" "
        "text-anchor=\"end\">useful until {6}</text>",
        end,
        cy1,
        cx1 - end,
        cy0 - cy1,
        end - 6,
        cy0 - 8,
        clock_text(b.curve.useful_until()));
  out += band(b, a);
  for (const auto& s : b.steps) {
    const double x = a.x(s.time.in_minutes()), d = s.density.value();
    out += fmt::format(
        "<path class=\"step\" d=\"M{0:.1f} {1:.1f}V{2:.1f}\"/><circle class=\"step\" "
        "cx=\"{0:.1f}\" cy=\"{3:.1f}\" r=\"4\"/>",
        x,
        a.y(d - z90 * s.sd),
        a.y(d + z90 * s.sd),
        a.y(d));
  }
  return out + plan_times(c, a) + "</svg>";
}

GapShares gap_shares(const SheetContent& c) {
  GapShares s;
  s.before.assign(36, 0);
  s.after.assign(36, 0);
  std::vector<double> change(65536, 0);
  for (const auto& r : c.plan.regions)
    change[static_cast<std::size_t>(r.region.id)] =
        r.predicted.value.value() - r.region.now.value.value();
  double seen = 0;
  for (int y = 0; y < c.map.gap.rows; ++y)
    for (int x = 0; x < c.map.gap.cols; ++x) seen += std::isfinite(c.map.gap(y, x)) ? 1 : 0;
  for (int y = 0; y < c.map.gap.rows; ++y) {
    for (int x = 0; x < c.map.gap.cols; ++x) {
      const double gap = static_cast<double>(c.map.gap(y, x));
      if (!std::isfinite(gap)) continue;
      add(s.before, s, gap, 1 / seen);
      add(s.after, s, gap - change[c.map.labels(y, x)], 1 / seen);
    }
  }
  return s;
}

nlohmann::ordered_json histogram_data(const GapShares& s) {
  return {{"from", s.from},
          {"step", s.step},
          {"before", s.before},
          {"after", s.after},
          {"x0", hx0},
          {"x1", hx1}};
}

std::string histogram_svg(const GapShares& s) {
  const double n = static_cast<double>(s.before.size());
  const double width = (hx1 - hx0) / n;
  // Most of a plate is held: the tall middle bars are cut at `top`, and say so.
  std::vector<double> all(s.before);
  all.insert(all.end(), s.after.begin(), s.after.end());
  std::sort(all.begin(), all.end());
  const double top = std::max(0.02, all[all.size() - 3] * 1.1);
  const auto height = [&](double share) { return (hy0 - hy1) * std::min(1.0, share / top); };
  std::string out =
      "<svg class=\"plot\" viewBox=\"0 0 720 290\" role=\"img\" aria-label=\"Share of the plate by "
      "gap between drawing and tone, before and after the plan\">";
  for (const double share : {top / 2, top})
    out += fmt::format(
        "<path class=\"grid\" d=\"M{0} {1:.1f}H{2}\"/><text class=\"tick\" x=\"{3}\" "
        "y=\"{4:.1f}\" text-anchor=\"end\">{5}</text>",
        hx0,
        hy0 - height(share),
        hx1,
        hx0 - 6,
        hy0 - height(share) + 5,
        percent_text(share));
  for (std::size_t i = 0; i < s.before.size(); ++i) {
    const double x = hx0 + width * static_cast<double>(i);
    for (const bool after : {false, true}) {
      const double share = after ? s.after[i] : s.before[i];
      if (share <= 0) continue;
      const double h = std::max(1.0, height(share));
      out += fmt::format(
          "<rect class=\"{}\" x=\"{:.1f}\" y=\"{:.1f}\" width=\"{:.1f}\" "
          "height=\"{:.1f}\"/>",
          after ? "after" : "before",
          x + (after ? width * 0.5 : width * 0.06),
          hy0 - h,
          width * 0.42,
          h);
      if (share > top)
        out +=
            fmt::format("<text class=\"tick\" x=\"{:.1f}\" y=\"{}\" text-anchor=\"{}\">{}</text>",
                        x + width * (after ? 1.0 : 0.0),
                        hy1 - 6,
                        after ? "start" : "end",
                        percent_text(share));
    }
  }
  out += fmt::format("<path class=\"axis\" d=\"M{} {}H{}\"/>", hx0, hy0, hx1);
  for (std::size_t i = 0; i <= s.before.size(); i += 4) {
    const double g = s.from + s.step * static_cast<double>(i);
    out += fmt::format(
        "<path class=\"axis\" d=\"M{0:.1f} {1}v6\"/><text class=\"tick\" x=\"{0:.1f}\" "
        "y=\"{2}\" text-anchor=\"middle\">{3}</text>",
        hx0 + width * static_cast<double>(i),
        hy0,
        hy0 + 22,
        gap_number(g));
  }
  out += fmt::format(
      "<text class=\"label\" x=\"{0}\" y=\"{1}\">← should be lighter</text><text "
      "class=\"label\" x=\"{2}\" y=\"{1}\" text-anchor=\"end\">should be darker →</text>",
      hx0,
      hy0 + 46,
      hx1);
  return out + "</svg>";
}

}  // namespace rebite::sheets

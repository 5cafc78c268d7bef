#include "sheets/report_plots.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <nlohmann/json.hpp>

#include "sheets/report_text.h"
#include "sheets/tone_plot.h"

namespace rebite::sheets {
namespace {

// The tone curve in the report: viewBox 0 0 720 390, a quarter of a millimetre each.
TonePlot curve_plot(const wedge::Batch& b) { return tone_plot(b, 16, 11, 160, 72); }

// ---- histogram ----
constexpr double hx0 = 48, hx1 = 690, hy0 = 230, hy1 = 30;  // viewBox 0 0 720 290

}  // namespace

nlohmann::ordered_json curve_data(const SheetContent& c) {
  if (!c.batch) return nullptr;
  const TonePlot p = curve_plot(*c.batch);
  constexpr double k = SvgPlot::px_per_mm;
  nlohmann::ordered_json j = {{"x0", k * p.axes.x},
                              {"x1", k * (p.axes.x + p.axes.width)},
                              {"y0", k * (p.axes.y + p.axes.height)},
                              {"y1", k * p.axes.y},
                              {"minutes_max", p.axes.across.to},
                              {"density_max", p.axes.up.to}};
  j["minutes"] = p.minutes;
  j["density"] = p.density;
  j["low"] = p.low;
  j["high"] = p.high;
  j["useful_until_minutes"] = c.batch->curve.useful_until().in_minutes();
  return j;
}

std::string curve_svg(const SheetContent& c) {
  if (!c.batch) return "";
  SvgPlot on;
  draw_tone_plot(on, curve_plot(*c.batch), *c.batch, c.plan.stages);
  return fmt::format(
      "<svg class=\"plot\" viewBox=\"0 0 720 390\" role=\"img\" aria-label=\"Tone curve of "
      "batch {}: density against total time, with the plan's times\">{}</svg>",
      html_text(c.batch->name),
      on.text());
}

nlohmann::ordered_json histogram_data(const tone::GapShares& s) {
  if (s.before.empty()) return nullptr;
  return {{"from", s.from},
          {"step", s.step},
          {"before", s.before},
          {"after", s.after},
          {"x0", hx0},
          {"x1", hx1}};
}

std::string histogram_svg(const tone::GapShares& s) {
  if (s.before.empty()) return "";
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
  int cut = 0;
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
      if (share > top) {
        // Two bars at most are cut: the left one's share stands to the left, the other's to the
        // right.
        const bool left = cut++ == 0;
        out +=
            fmt::format("<text class=\"tick\" x=\"{:.1f}\" y=\"{}\" text-anchor=\"{}\">{}</text>",
                        x + width * ((after ? 0.5 : 0.06) + (left ? 0.42 : 0)),
                        hy1 - 6,
                        left ? "end" : "start",
                        percent_text(share));
      }
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
        (i == 0                 ? "≤ "
         : i == s.before.size() ? "≥ "
                                : "") +
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

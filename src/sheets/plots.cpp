#include "sheets/plots.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "sheets/axes.h"
#include "sheets/tone_plot.h"
#include "sheets/wording.h"

namespace rebite::sheets {
namespace {

constexpr double px_per_unit = 8;
constexpr double page_width = 180;

std::string as(PlotForm form, double height, const Draw& draw) {
  const Draw on_white = [&](cairo_t* cr) {
    set_ink(cr, kWhite);
    cairo_paint(cr);
    draw(cr);
  };
  return form == PlotForm::png ? canvas_png(page_width, height, px_per_unit, px_per_unit, on_white)
                               : canvas_svg(page_width, height, 1, on_white);
}

void heading(cairo_t* cr, const std::string& title, const std::string& below) {
  draw_text(cr,
            8,
            9,
            shortened(cr, title, page_width - 16, 5.5, true),
            {5.5, true, Align::left, kBlack, 0});
  draw_text(
      cr, 8, 15, shortened(cr, below, page_width - 16, 3.6), {3.6, false, Align::left, kBlack, 0});
}

std::string batch_words(const wedge::Batch& b) {
  std::string out;
  for (const auto& part : {b.mordant, b.strength, b.metal, b.ground, b.bitten_on}) {
    if (part.empty()) continue;
    if (!out.empty()) out += " · ";
    out += part;
  }
  if (b.temperature_c)
    out += (out.empty() ? "" : " · ") + temperature_text(*b.temperature_c, false);
  return out + (out.empty() ? "" : " · ") +
         count_text(
             static_cast<std::size_t>(std::max(1, b.impressions)), "impression", "impressions");
}

// What the signs mean, under the axes.
void key(cairo_t* cr, double y, const std::string& bars, bool crosses) {
  CairoPlot on(cr);
  Axes a{8, y - 3, 10, 3, {0, 1, false, {}, ""}, {0, 1, false, {}, ""}};
  a.band(on, {0, 1}, {0, 0}, {1, 1});
  a.curve(on, {0, 1}, {0.5, 0.5});
  draw_text(cr, 20, y, "curve, 90 % band", {3.4, false, Align::left, kBlack, 0});
  a.x = 62;
  a.point(on, 0.5, 0.5, 0.6, false);
  draw_text(cr, 71, y, bars, {3.4, false, Align::left, kBlack, 0});
  if (!crosses) return;
  a.x = 122;
  a.point(on, 0.5, 0.5, 0, true);
  draw_text(cr, 131, y, "past the useful end", {3.4, false, Align::left, kBlack, 0});
}

}  // namespace

std::string tone_curve_plot(const wedge::Batch& b, PlotForm form) {
  const TonePlot plot = tone_plot(b, 24, 20, page_width - 34, 78);
  return as(form, 120, [&](cairo_t* cr) {
    heading(cr, "Tone curve: " + b.name, batch_words(b));
    CairoPlot on(cr);
    draw_tone_plot(on, plot, b, {});
    key(cr, 115, "step of the wedge, 90 %", plot.past_steps);
  });
}

std::string scanner_plot(const scan::ScannerCurve& curve, PlotForm form) {
  struct {
    std::vector<double> at, best, low, high;
  } c;
  double darkest = 0.1, worst = 0.01;
  for (std::size_t i = 0; i < curve.code.size(); ++i) {
    if (!(curve.reflectance[i] > 0)) continue;
    const double d = -std::log10(curve.reflectance[i]);
    c.at.push_back(100 * curve.code[i]);
    c.best.push_back(d);
    c.low.push_back(d - kHalf90 * curve.residual_sd);
    c.high.push_back(d + kHalf90 * curve.residual_sd);
    darkest = std::max(darkest, c.high.back());
  }
  for (const auto& p : curve.patches) {
    darkest = std::max(darkest, p.density.value());
    worst = std::max(worst, std::abs(p.residual));
  }
  const double top = 1.05 * darkest, bound = 1.2 * std::max(worst, kHalf90 * curve.residual_sd);
  const Axis codes{0, 100, false, round_ticks(0, 100, 10), "scanner code, % of full scale"};
  const Axes main{24,
                  20,
                  page_width - 34,
                  72,
                  codes,
                  {0, top, false, round_ticks(0, top, 8), "density of the patch, D"}};
  Axes rest{24,
            108,
            page_width - 34,
            26,
            {0, top, false, round_ticks(0, top, 8), "density of the patch, D"},
            {-bound, bound, false, round_ticks(-bound, bound, 4), "residual, D"}};
  return as(form, 156, [&](cairo_t* cr) {
    heading(cr,
            "Scanner curve",
            fmt::format("{} · {} bit · residuals {:.3f} D (1 sd) · stray light {:.2f} %",
                        count_text(curve.patches.size(), "patch", "patches"),
                        curve.bits,
                        curve.residual_sd,
                        100 * curve.flare));
    CairoPlot on(cr);
    main.draw(on);
    main.band(on, c.at, c.low, c.high);
    main.curve(on, c.at, c.best);
    for (const auto& p : curve.patches)
      main.point(on, 100 * p.code, p.density.value(), kHalf90 * curve.residual_sd, false);
    rest.draw(on);
    rest.level(on, PlotMark::axis, 0);
    for (const auto& p : curve.patches) rest.point(on, p.density.value(), p.residual, 0, false);
    key(cr, 152, "patch of the grey scale, 90 %", false);
  });
}

}  // namespace rebite::sheets

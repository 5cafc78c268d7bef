#include "sheets/plots.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "sheets/axes.h"
#include "sheets/wording.h"

namespace rebite::sheets {
namespace {

constexpr double z90 = 1.6449;  // half the width of a 90 % interval, in standard errors
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

struct Curve {
  std::vector<double> at, best, low, high;
};

void draw_tone_curve(cairo_t* cr, const wedge::Batch& b, const Axes& axes, const Curve& c) {
  const double end = b.curve.useful_until().in_minutes();
  axes.draw(cr);
  cairo_save(cr);
  axes.clip(cr);
  axes.band(cr, c.at, c.low, c.high);
  axes.curve(cr, c.at, c.best, 0.7);
  const double dashes[] = {2, 1.4};
  cairo_set_dash(cr, dashes, 2, 0);
  if (end < axes.across.to) line(cr, axes.px(end), axes.y, axes.px(end), axes.y + axes.height, 0.4);
  const double solid = b.solid.value();
  line(cr, axes.x, axes.py(solid), axes.x + axes.width, axes.py(solid), 0.25);
  cairo_set_dash(cr, nullptr, 0, 0);
  cairo_restore(cr);
  for (const auto& s : b.steps) {
    const double t = s.time.in_minutes();
    if (std::isfinite(s.density.value()))
      axes.point(cr, t, s.density.value(), z90 * s.sd, t > end * 1.0001);
  }
  draw_text(cr,
            axes.x + 2,
            axes.py(solid) - 1.2,
            "solid " + density_text(b.solid),
            {3.4, false, Align::left, kBlack, 0.8});
  draw_text(cr,
            axes.px(end) - 1.5,
            axes.y + axes.height - 3,
            "useful end " + clock_text(b.curve.useful_until()),
            {3.6, true, Align::right, kBlack, 0.8});
}

// What the signs mean, under the axes.
void key(cairo_t* cr, double y, const std::string& bars, bool crosses) {
  Axes a{8, y - 3, 10, 3, {0, 1, false, {}, ""}, {0, 1, false, {}, ""}};
  a.band(cr, {0, 1}, {0, 0}, {1, 1});
  a.curve(cr, {0, 1}, {0.5, 0.5}, 0.7);
  draw_text(cr, 20, y, "curve, 90 % band", {3.4, false, Align::left, kBlack, 0});
  a.x = 62;
  a.point(cr, 0.5, 0.5, 0.6, false);
  draw_text(cr, 71, y, bars, {3.4, false, Align::left, kBlack, 0});
  if (!crosses) return;
  a.x = 122;
  a.point(cr, 0.5, 0.5, 0, true);
  draw_text(cr, 131, y, "past the useful end", {3.4, false, Align::left, kBlack, 0});
}

}  // namespace

std::string tone_curve_plot(const wedge::Batch& b, PlotForm form) {
  const auto& t = b.curve.table();
  Curve c{t.minutes, t.density, {}, {}};
  double last = b.curve.useful_until().in_minutes(), highest = b.solid.value();
  for (std::size_t i = 0; i < t.minutes.size(); ++i) {
    c.low.push_back(t.density[i] - z90 * t.sd[i]);
    c.high.push_back(t.density[i] + z90 * t.sd[i]);
    highest = std::max(highest, c.high.back());
  }
  bool crosses = false;
  for (const auto& s : b.steps) {
    last = std::max(last, s.time.in_minutes());
    highest = std::max(highest, s.density.value() + z90 * s.sd);
    crosses = crosses || s.time > b.curve.useful_until() * 1.0001;
  }
  last = std::max(last, 1e-3);
  const double top = std::max(0.2, 1.1 * highest);
  const Axes axes{24,
                  20,
                  page_width - 34,
                  78,
                  {0,
                   last * 1.03,
                   true,
                   time_ticks(last * 1.03, 0.07),
                   "time in the bath, m:ss (square-root scale)"},
                  {0, top, false, round_ticks(0, top, 8), "density above paper, D"}};
  return as(form, 120, [&](cairo_t* cr) {
    heading(cr, "Tone curve: " + b.name, batch_words(b));
    draw_tone_curve(cr, b, axes, c);
    key(cr, 115, "step of the wedge, 90 %", crosses);
  });
}

std::string scanner_plot(const scan::ScannerCurve& s, PlotForm form) {
  Curve c;
  double darkest = 0.1, worst = 0.01;
  for (std::size_t i = 0; i < s.code.size(); ++i) {
    if (!(s.reflectance[i] > 0)) continue;
    const double d = -std::log10(s.reflectance[i]);
    c.at.push_back(100 * s.code[i]);
    c.best.push_back(d);
    c.low.push_back(d - z90 * s.residual_sd);
    c.high.push_back(d + z90 * s.residual_sd);
    darkest = std::max(darkest, c.high.back());
  }
  for (const auto& p : s.patches) {
    darkest = std::max(darkest, p.density.value());
    worst = std::max(worst, std::abs(p.residual));
  }
  const double top = 1.05 * darkest, bound = 1.2 * std::max(worst, z90 * s.residual_sd);
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
                        count_text(s.patches.size(), "patch", "patches"),
                        s.bits,
                        s.residual_sd,
                        100 * s.flare));
    main.draw(cr);
    cairo_save(cr);
    main.clip(cr);
    main.band(cr, c.at, c.low, c.high);
    main.curve(cr, c.at, c.best, 0.7);
    cairo_restore(cr);
    for (const auto& p : s.patches)
      main.point(cr, 100 * p.code, p.density.value(), z90 * s.residual_sd, false);
    rest.draw(cr);
    line(cr, rest.x, rest.py(0), rest.x + rest.width, rest.py(0), 0.4);
    for (const auto& p : s.patches) rest.point(cr, p.density.value(), p.residual, 0, false);
    key(cr, 152, "patch of the grey scale, 90 %", false);
  });
}

}  // namespace rebite::sheets

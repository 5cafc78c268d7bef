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

namespace {

constexpr double picture_width = page_width - 16, picture_most_high = 90;

// mm on the page for one pixel of the wedge's picture.
double picture_scale(const WedgePicture& w) {
  return std::min(picture_width / w.grey.cols, picture_most_high / w.grey.rows);
}

void draw_wedge(cairo_t* cr, const WedgePicture& w, double top) {
  const double k = picture_scale(w);
  const double left = (page_width - k * w.grey.cols) / 2;
  draw_picture(cr, w.grey, left, top, k * w.grey.cols, k * w.grey.rows);
  CairoPlot on(cr);
  for (const WedgePicture::Step& s : w.steps) {
    PlotCanvas::Points outline;
    cv::Point2d middle(0, 0);
    double low = 1e9, high = -1e9;
    for (const auto& c : s.corners) {
      outline.emplace_back(left + k * double(c.x), top + k * double(c.y));
      middle += outline.back() * 0.25;
      low = std::min(low, outline.back().x);
      high = std::max(high, outline.back().x);
    }
    outline.push_back(outline.front());
    set_ink(cr, kWhite);
    cairo_new_path(cr);
    for (const auto& c : outline) cairo_line_to(cr, c.x, c.y);
    cairo_set_line_width(cr, 0.9);
    cairo_stroke(cr);
    on.stroke(PlotMark::axis, outline);
    // As large as the step allows, so that many narrow steps stay readable.
    const double widest = std::max(text_size(cr, s.time, 1).width, text_size(cr, s.density, 1).width);
    const double size = std::clamp((high - low) / widest, 1.2, 3.4);
    const TextStyle style{size, true, Align::centre, kBlack, 0.2 * size};
    draw_text(cr, middle.x, middle.y - 0.2 * size, s.time, style);
    draw_text(cr, middle.x, middle.y + 1.15 * size, s.density, style);
  }
}

}  // namespace

std::string tone_curve_plot(const wedge::Batch& b, PlotForm form, const WedgePicture* wedge) {
  const TonePlot plot = tone_plot(b, 24, 20, page_width - 34, 78);
  const bool shown = wedge && !wedge->grey.empty();
  const double height = 120 + (shown ? picture_scale(*wedge) * wedge->grey.rows + 14 : 0);
  return as(form, height, [&](cairo_t* cr) {
    heading(cr, "Tone curve: " + b.name, batch_words(b));
    CairoPlot on(cr);
    draw_tone_plot(on, plot, b, {});
    key(cr, 115, "step of the wedge, 90 %", plot.past_steps);
    if (!shown) return;
    draw_text(cr,
              8,
              125,
              "The wedge as found on its first scan: time and density of each step",
              {3.6, false, Align::left, kBlack, 0});
    draw_wedge(cr, *wedge, 128);
  });
}

namespace {

struct DrawnCurve {
  const scan::CodeCurve* curve;
  PlotMark mark;
  std::string letter;  // names the line, and stands for its residuals; empty: one curve only
  double aside = 0;    // mm that the letter stands beside its place, so that like ones stay readable
};

// The channels' curves, each with a line and a letter of its own, or the one curve.
std::vector<DrawnCurve> curves_of(const scan::ScannerCurve& s) {
  if (s.channels.empty()) return {{&s, PlotMark::curve, "", 0}};
  return {{&s.channels[0], PlotMark::second, "R", -2.6},
          {&s.channels[1], PlotMark::curve, "G", 0},
          {&s.channels[2], PlotMark::third, "B", 2.6}};
}

void scanner_line(PlotCanvas& on, const Axes& axes, const DrawnCurve& drawn) {
  const scan::CodeCurve& s = *drawn.curve;
  PlotCanvas::Points line;
  for (std::size_t i = 0; i < s.code.size(); ++i) {
    if (!(s.reflectance[i] > 0)) continue;
    line.emplace_back(axes.px(100 * s.code[i]), axes.py(-std::log10(s.reflectance[i])));
  }
  on.stroke(drawn.mark, line);
}

void scanner_band(PlotCanvas& on, const Axes& axes, const scan::CodeCurve& s) {
  std::vector<double> at, low, high;
  for (std::size_t i = 0; i < s.code.size(); ++i) {
    if (!(s.reflectance[i] > 0)) continue;
    const double d = -std::log10(s.reflectance[i]);
    at.push_back(100 * s.code[i]);
    low.push_back(d - kHalf90 * s.residual_sd);
    high.push_back(d + kHalf90 * s.residual_sd);
  }
  axes.band(on, at, low, high);
}

void patches(PlotCanvas& on, const Axes& axes, const DrawnCurve& drawn) {
  const bool alone = drawn.letter.empty();
  const scan::GreyPatch* darkest = nullptr;
  for (const auto& p : drawn.curve->patches) {
    axes.point(on, 100 * p.code, p.density.value(), 0, false);
    if (!darkest || p.density > darkest->density) darkest = &p;
  }
  if (alone || !darkest) return;
  const double above = drawn.aside == 0 ? -2 : 1.2;
  on.words(PlotWords::dip,
           {axes.px(100 * darkest->code) + 1.2 * drawn.aside, axes.py(darkest->density.value()) + above},
           Align::centre,
           drawn.letter);
}

void residuals(PlotCanvas& on, const Axes& axes, const DrawnCurve& drawn) {
  for (const auto& p : drawn.curve->patches) {
    if (drawn.letter.empty()) {
      axes.point(on, p.density.value(), p.residual, 0, false);
    } else {
      on.words(PlotWords::label,
               {axes.px(p.density.value()) + drawn.aside, axes.py(p.residual) + 1.3},
               Align::centre,
               drawn.letter);
    }
  }
}

// The doubt of the curve, about 0 of the residuals: in the main plot it is narrower than the line.
void doubt_band(PlotCanvas& on, const Axes& axes, const scan::ScannerCurve& s) {
  double light = 1e9, dark = -1e9;
  for (const auto& p : s.patches) {
    light = std::min(light, p.density.value());
    dark = std::max(dark, p.density.value());
  }
  if (light > dark) return;
  const double half = kHalf90 * s.spread(s.scan_channels);
  axes.band(on, {light, dark}, {-half, -half}, {half, half});
}

void curve_key(cairo_t* cr, double y) {
  CairoPlot on(cr);
  Axes a{8, y - 3, 10, 3, {0, 1, false, {}, ""}, {0, 1, false, {}, ""}};
  a.curve(on, {0, 1}, {0.5, 0.5});
  draw_text(cr, 20, y, "curve", {3.4, false, Align::left, kBlack, 0});
  a.x = 36;
  a.point(on, 0.5, 0.5, 0, false);
  draw_text(cr, 45, y, "patch of the grey scale", {3.4, false, Align::left, kBlack, 0});
  a.x = 96;
  a.band(on, {0, 1}, {0, 0}, {1, 1});
  draw_text(cr, 108, y, "doubt of the curve, 90 %", {3.4, false, Align::left, kBlack, 0});
}

// What the lines and letters mean, under the axes.
void channel_key(cairo_t* cr, double y) {
  CairoPlot on(cr);
  const std::pair<PlotMark, const char*> lines[] = {{PlotMark::second, "R red"},
                                                    {PlotMark::curve, "G green"},
                                                    {PlotMark::third, "B blue"}};
  double x = 8;
  for (const auto& [mark, words] : lines) {
    on.stroke(mark, {{x, y - 1.2}, {x + 12, y - 1.2}});
    draw_text(cr, x + 14, y, words, {3.4, false, Align::left, kBlack, 0});
    x += 32;
  }
  draw_text(cr,
            x,
            y,
            "rings: patches; grey: doubt, 90 %",
            {3.4, false, Align::left, kBlack, 0});
}

}  // namespace

std::string scanner_plot(const scan::ScannerCurve& curve, PlotForm form) {
  const std::vector<DrawnCurve> curves = curves_of(curve);
  const double spread = curve.spread(curve.scan_channels);
  double darkest = 0.1, worst = std::max(0.01, kHalf90 * spread);
  for (const DrawnCurve& c : curves) {
    for (const auto& p : c.curve->patches) {
      darkest = std::max(darkest, p.density.value() + kHalf90 * c.curve->residual_sd);
      worst = std::max(worst, std::abs(p.residual));
    }
  }
  const double top = 1.1 * darkest, bound = 1.2 * worst;
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
            fmt::format("{} · {} bit · residuals {} · doubt {} (1 sd) · stray light {:.1f} %",
                        count_text(curve.patches.size(), "patch", "patches"),
                        curve.bits,
                        scan::spread_text(curve.residual_rms(curve.scan_channels)),
                        scan::spread_text(spread),
                        100 * curve.flare));
    CairoPlot on(cr);
    main.draw(on);
    scanner_band(on, main, curve.channels.empty() ? curve : curve.channels[1]);
    for (const DrawnCurve& c : curves) scanner_line(on, main, c);
    rest.draw(on);
    doubt_band(on, rest, curve);
    rest.level(on, PlotMark::axis, 0);
    for (const DrawnCurve& c : curves) {
      patches(on, main, c);
      residuals(on, rest, c);
    }
    if (curve.channels.empty()) {
      curve_key(cr, 152);
    } else {
      channel_key(cr, 152);
    }
  });
}

}  // namespace rebite::sheets

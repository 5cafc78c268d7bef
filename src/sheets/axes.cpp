#include "sheets/axes.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <numbers>

#include "units/bite_time.h"

namespace rebite::sheets {
namespace {
constexpr double letters = 3.6;
}

double Axis::share(double v) const {
  if (square_root) return std::sqrt(std::max(0.0, v) / to);
  return (v - from) / (to - from);
}

void Axes::draw(cairo_t* cr) const {
  const Ink light{0.8, 0.8, 0.8, 1};
  double widest = 0;
  for (const auto& t : up.ticks) {
    const double at = py(t.at);
    line(cr, x, at, x + width, at, 0.12, light);
    line(cr, x - 1.2, at, x, at, 0.25);
    draw_text(cr, x - 2, at + 0.36 * letters, t.words, {letters, false, Align::right, kBlack, 0});
    widest = std::max(widest, text_size(cr, t.words, letters).width);
  }
  for (const auto& t : across.ticks) {
    const double at = px(t.at);
    line(cr, at, y, at, y + height, 0.12, light);
    line(cr, at, y + height, at, y + height + 1.2, 0.25);
    draw_text(cr, at, y + height + 5, t.words, {letters, false, Align::centre, kBlack, 0});
  }
  box(cr, x, y, width, height, 0.3);
  draw_text(cr,
            x + width / 2,
            y + height + 10.5,
            across.words,
            {letters, false, Align::centre, kBlack, 0});
  cairo_save(cr);
  cairo_translate(cr, x - widest - 4.5, y + height / 2);
  cairo_rotate(cr, -std::numbers::pi / 2);
  draw_text(cr, 0, 0, up.words, {letters, false, Align::centre, kBlack, 0});
  cairo_restore(cr);
}

void Axes::clip(cairo_t* cr) const {
  cairo_rectangle(cr, x, y, width, height);
  cairo_clip(cr);
}

void Axes::curve(cairo_t* cr,
                 const std::vector<double>& xs,
                 const std::vector<double>& ys,
                 double pen) const {
  for (std::size_t i = 0; i < xs.size(); ++i) cairo_line_to(cr, px(xs[i]), py(ys[i]));
  set_ink(cr, kBlack);
  cairo_set_line_width(cr, pen);
  cairo_set_line_join(cr, CAIRO_LINE_JOIN_ROUND);
  cairo_stroke(cr);
}

void Axes::band(cairo_t* cr,
                const std::vector<double>& xs,
                const std::vector<double>& low,
                const std::vector<double>& high) const {
  for (std::size_t i = 0; i < xs.size(); ++i) cairo_line_to(cr, px(xs[i]), py(high[i]));
  for (std::size_t i = xs.size(); i-- > 0;) cairo_line_to(cr, px(xs[i]), py(low[i]));
  cairo_close_path(cr);
  set_ink(cr, {0.72, 0.72, 0.72, 0.75});
  cairo_fill(cr);
}

void Axes::point(cairo_t* cr, double at, double value, double half_bar, bool crossed) const {
  const double cx = px(at), cy = py(value), r = 0.9;
  if (half_bar > 0) {
    const double top = py(value + half_bar), foot = py(value - half_bar);
    line(cr, cx, top, cx, foot, 0.3);
    line(cr, cx - 1, top, cx + 1, top, 0.3);
    line(cr, cx - 1, foot, cx + 1, foot, 0.3);
  }
  if (crossed) {
    line(cr, cx - r, cy - r, cx + r, cy + r, 0.4);
    line(cr, cx - r, cy + r, cx + r, cy - r, 0.4);
    return;
  }
  cairo_new_path(cr);
  cairo_arc(cr, cx, cy, r, 0, 2 * std::numbers::pi);
  set_ink(cr, kWhite);
  cairo_fill_preserve(cr);
  set_ink(cr, kBlack);
  cairo_set_line_width(cr, 0.4);
  cairo_stroke(cr);
}

std::vector<Tick> round_ticks(double from, double to, int most) {
  double step = 1e-6;
  for (int decade = -5; decade < 7; ++decade) {
    for (const double k : {1.0, 2.0, 5.0}) {
      step = k * std::pow(10, decade);
      if ((to - from) / step <= most) {
        std::vector<Tick> out;
        for (double i = std::ceil(from / step - 1e-9); i * step <= to + 1e-9 * step; ++i) {
          const double v = i == 0 ? 0 : i * step;
          out.push_back({v, fmt::format("{:.{}f}", v, std::max(0, -decade))});
        }
        return out;
      }
    }
  }
  return {};
}

std::vector<Tick> time_ticks(double to, double least) {
  std::vector<Tick> out;
  for (const double m : {0.0,
                         0.25,
                         0.5,
                         1.0,
                         2.0,
                         4.0,
                         8.0,
                         15.0,
                         30.0,
                         60.0,
                         120.0,
                         240.0,
                         480.0,
                         960.0,
                         1920.0,
                         2880.0}) {
    if (m > to * 1.0001) break;
    if (!out.empty() && std::sqrt(m / to) - std::sqrt(out.back().at / to) < least) continue;
    out.push_back({m, clock_text(BiteTime::minutes(m))});
  }
  return out;
}

}  // namespace rebite::sheets

#include "sheets/axes.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "units/bite_time.h"

namespace rebite::sheets {
namespace {
constexpr double letters = 3.6;
}

double Axis::share(double v) const {
  if (square_root) return std::sqrt(std::clamp(v / to, 0.0, 1.0));
  return std::clamp((v - from) / (to - from), 0.0, 1.0);
}

void Axes::draw(PlotCanvas& on) const {
  double widest = 0;
  for (const auto& t : up.ticks) {
    const double at = py(t.at);
    on.stroke(PlotMark::grid, {{x, at}, {x + width, at}});
    on.stroke(PlotMark::axis, {{x - 1.2, at}, {x, at}});
    on.words(PlotWords::tick, {x - 2, at + 0.36 * letters}, Align::right, t.words);
    widest = std::max(widest, on.width(PlotWords::tick, t.words));
  }
  for (const auto& t : across.ticks) {
    const double at = px(t.at);
    on.stroke(PlotMark::grid, {{at, y}, {at, y + height}});
    on.stroke(PlotMark::axis, {{at, y + height}, {at, y + height + 1.2}});
    on.words(PlotWords::tick, {at, y + height + 5}, Align::centre, t.words);
  }
  on.stroke(PlotMark::frame,
            {{x, y}, {x + width, y}, {x + width, y + height}, {x, y + height}, {x, y}});
  on.words(PlotWords::label, {x + width / 2, y + height + 10.5}, Align::centre, across.words);
  on.words(PlotWords::label, {x - widest - 4.5, y + height / 2}, Align::centre, up.words, true);
}

void Axes::curve(PlotCanvas& on,
                 const std::vector<double>& xs,
                 const std::vector<double>& ys) const {
  PlotCanvas::Points points;
  for (std::size_t i = 0; i < xs.size(); ++i) points.emplace_back(px(xs[i]), py(ys[i]));
  on.stroke(PlotMark::curve, points);
}

void Axes::band(PlotCanvas& on,
                const std::vector<double>& xs,
                const std::vector<double>& low,
                const std::vector<double>& high) const {
  PlotCanvas::Points points;
  for (std::size_t i = 0; i < xs.size(); ++i) points.emplace_back(px(xs[i]), py(high[i]));
  for (std::size_t i = xs.size(); i-- > 0;) points.emplace_back(px(xs[i]), py(low[i]));
  on.fill(PlotMark::band, points);
}

void Axes::upright(PlotCanvas& on, PlotMark mark, double at) const {
  on.stroke(mark, {{px(at), y + height}, {px(at), y}});
}

void Axes::level(PlotCanvas& on, PlotMark mark, double at) const {
  on.stroke(mark, {{x, py(at)}, {x + width, py(at)}});
}

void Axes::point(PlotCanvas& on, double at, double value, double half_bar, bool crossed) const {
  const cv::Point2d c(px(at), py(value));
  if (half_bar > 0) {
    const double top = py(value + half_bar), foot = py(value - half_bar);
    on.stroke(PlotMark::bar, {{c.x, top}, {c.x, foot}});
    on.stroke(PlotMark::bar, {{c.x - 1, top}, {c.x + 1, top}});
    on.stroke(PlotMark::bar, {{c.x - 1, foot}, {c.x + 1, foot}});
  }
  if (crossed)
    on.cross(c);
  else
    on.ring(c);
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

#include "sheets/tone_plot.h"

#include <algorithm>
#include <array>
#include <cmath>

#include "sheets/wording.h"

namespace rebite::sheets {
namespace {

void draw_stages(PlotCanvas& on, const Axes& a, const std::vector<plan::Stage>& stages) {
  constexpr int rows = 3;  // above each other, where totals lie close
  std::array<double, rows> taken{};
  taken.fill(-1e9);
  for (const auto& s : stages) {
    const std::string words = clock_text(s.total);
    const double at = a.px(s.total.in_minutes());
    const double wide = on.width(PlotWords::dip, words);
    const auto free =
        std::ranges::find_if(taken, [&](double end) { return at - wide / 2 > end + 1; });
    const auto row = free == taken.end() ? std::ranges::min_element(taken) : free;
    *row = at + wide / 2;
    const double up = a.y - 1.5 - 4 * static_cast<double>(row - taken.begin());
    on.stroke(PlotMark::dip, {{at, a.y + a.height}, {at, up + 1}});
    on.words(PlotWords::dip, {at, up}, Align::centre, words);
  }
}

}  // namespace

TonePlot tone_plot(const wedge::Batch& b, double x, double y, double width, double height) {
  const auto& t = b.curve.table();
  TonePlot p{{}, t.minutes, t.density, {}, {}, false};
  double last = b.curve.useful_until().in_minutes(), highest = b.solid.value();
  for (std::size_t i = 0; i < t.minutes.size(); ++i) {
    p.low.push_back(t.density[i] - kHalf90 * t.sd[i]);
    p.high.push_back(t.density[i] + kHalf90 * t.sd[i]);
    highest = std::max(highest, p.high.back());
  }
  for (const auto& s : b.steps) {
    last = std::max(last, s.time.in_minutes());
    highest = std::max(highest, s.density.value() + kHalf90 * s.sd);
    p.past_steps = p.past_steps || s.time > b.curve.useful_until() * 1.0001;
  }
  last = 1.03 * std::max(last, 1e-3);
  const double top = std::max(0.2, 1.1 * highest);
  p.axes = {x,
            y,
            width,
            height,
            {0, last, true, time_ticks(last, 0.07), "time in the bath, m:ss (square-root scale)"},
            {0, top, false, round_ticks(0, top, 8), "density above paper, D"}};
  return p;
}

void draw_tone_plot(PlotCanvas& on,
                    const TonePlot& p,
                    const wedge::Batch& b,
                    const std::vector<plan::Stage>& stages) {
  const Axes& a = p.axes;
  const double end = b.curve.useful_until().in_minutes();
  if (end < a.across.to)
    on.fill(PlotMark::past,
            {{a.px(end), a.y},
             {a.x + a.width, a.y},
             {a.x + a.width, a.y + a.height},
             {a.px(end), a.y + a.height}});
  a.draw(on);
  a.band(on, p.minutes, p.low, p.high);
  a.curve(on, p.minutes, p.density);
  if (end < a.across.to) a.upright(on, PlotMark::limit, end);
  a.level(on, PlotMark::limit, b.solid.value());
  for (const auto& s : b.steps)
    if (std::isfinite(s.density.value()))
      a.point(on,
              s.time.in_minutes(),
              s.density.value(),
              kHalf90 * s.sd,
              s.time > b.curve.useful_until() * 1.0001);
  const std::string solid = "solid " + density_text(b.solid);
  double right = a.x + a.width - 2;
  // Clear of the upright line.
  if (a.px(end) > right - on.width(PlotWords::limit, solid) - 1.5) {
    right = std::min(right, a.px(end) - 1.5);
  }
  on.words(PlotWords::limit, {right, a.py(b.solid.value()) - 1.2}, Align::right, solid);
  const std::string until = clock_text(b.curve.useful_until());
  on.words(PlotWords::limit,
           {a.px(end) - 1.5, a.y + a.height - 3},
           Align::right,
           b.end_seen() ? "useful end " + until : "last step " + until + ", no end seen");
  draw_stages(on, a, stages);
}

}  // namespace rebite::sheets

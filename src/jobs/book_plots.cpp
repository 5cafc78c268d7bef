#include "jobs/book_plots.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "sheets/axes.h"
#include "sheets/tone_plot.h"
#include "units/html_text.h"

namespace rebite::jobs {
namespace {
using sheets::Axes;
using sheets::Axis;
using sheets::kHalf90;
using sheets::PlotMark;
using sheets::Tick;
using Range = std::pair<double, double>;

constexpr double width = 170, height = 108;                        // mm of the picture
constexpr double left = 19, top = 13, across = 146, upright = 72;  // its frame
constexpr double mm = sheets::SvgPlot::px_per_mm;

// Blue, vermilion and grey differ in darkness and in kind of mark, so that a grey print will do.
constexpr const char* style =
    "<style>.p{font:14px sans-serif;fill:#222}.p .title{font-weight:700;font-size:16px}"
    ".p path{fill:none;stroke:#222}.p .grid{stroke:#ddd}.p .band{fill:#0072b2;fill-opacity:.16;"
    "stroke:none}.p .learned{stroke:#0072b2;stroke-width:2.5}.p .limit{stroke-dasharray:"
    "2 4}.p .promised{stroke:#777;stroke-dasharray:6 4}.p .seen{stroke:#a84300;stroke-width:1.5}"
    ".p .dot{fill:#0072b2;stroke:#0072b2;stroke-width:1.5}.p .measured{fill:#a84300;stroke:#a84300;"
    "stroke-width:1.5}.p .still{fill:#777;stroke:#777;stroke-width:1.5}.p .hollow{fill:#fff}"
    "</style>";

void widen(Range& range, double v) {
  if (!std::isfinite(v)) return;
  range.first = std::min(range.first, v);
  range.second = std::max(range.second, v);
}

// As far as round numbers reach around the values.
Axis round_axis(Range r, const std::string& words) {
  const auto rough = sheets::round_ticks(r.first, r.second, 8);
  const double step = rough.size() > 1 ? rough[1].at - rough[0].at : r.second - r.first;
  const double from = std::floor(r.first / step + 1e-6) * step;
  const double to = std::ceil(r.second / step - 1e-6) * step;
  return {from, to, false, sheets::round_ticks(from, to, 10), words};
}

// Whole numbers from `from` to `to`, thinned to some twelve.
std::vector<Tick> counted(int from, int to) {
  std::vector<Tick> ticks;
  const int every = std::max(1, (to - from + 11) / 12);
  for (int i = from; i <= to; i += every) ticks.push_back({double(i), std::to_string(i)});
  return ticks;
}

class Plot {
 public:
  Plot(const std::string& title, Axis x, Axis y)
      : title_(title), axes_{left, top, across, upright, std::move(x), std::move(y)} {
    axes_.draw(on_);
  }
  const Axes& axes() const { return axes_; }
  void line(const char* kind, const std::vector<cv::Point2d>& values) {
    std::string d;
    for (const auto& v : values) {
      d += fmt::format(
          "{}{:.1f} {:.1f}", d.empty() ? "M" : "L", axes_.px(v.x) * mm, axes_.py(v.y) * mm);
    }
    marks_ += fmt::format("<path class=\"{}\" d=\"{}\"/>", kind, d);
  }
  void band(const std::vector<double>& x,
            const std::vector<double>& low,
            const std::vector<double>& high) {
    axes_.band(on_, x, low, high);
  }
  void bar(double x, double low, double high) {
    const double at = axes_.px(x) * mm, foot = axes_.py(low) * mm, head = axes_.py(high) * mm;
    marks_ += fmt::format(
        "<path class=\"seen\" d=\"M{0:.1f} {1:.1f}V{2:.1f}m-5 0h10M{3:.1f} {1:.1f}h10\"/>",
        at,
        foot,
        head,
        at - 5);
  }
  void dot(const char* kind, bool hollow, cv::Point2d v, const std::string& words) {
    marks_ += fmt::format(
        "<circle class=\"{}{}\" cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"4\"><title>{}</title></circle>",
        kind,
        hollow ? " hollow" : "",
        axes_.px(v.x) * mm,
        axes_.py(v.y) * mm,
        html_text(words));
  }
  // Words right of a value; false when they would lie on others.
  bool words_beside(cv::Point2d v, const std::string& text) {
    const double x = axes_.px(v.x) * mm + 8, y = axes_.py(v.y) * mm + 5;
    for (const auto& taken : taken_) {
      if (std::fabs(taken.x - x) < 26 && std::fabs(taken.y - y) < 13) return false;
    }
    taken_.emplace_back(x, y);
    marks_ += fmt::format("<text x=\"{:.1f}\" y=\"{:.1f}\">{}</text>", x, y, html_text(text));
    return true;
  }
  // What the marks mean, under the axes: one row of (kind of mark, its words).
  std::string done(const std::vector<std::pair<std::string, std::string>>& key) {
    double x = left * mm;
    const double y = (height - 4) * mm;
    for (const auto& [kind, words] : key) {
      if (kind.starts_with("dot") || kind.starts_with("measured") || kind.starts_with("still")) {
        marks_ += fmt::format(
            "<circle class=\"{}\" cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"4\"/>", kind, x + 12, y - 5);
      } else {
        marks_ += fmt::format("<path class=\"{}\" d=\"M{:.1f} {:.1f}h24\"/>", kind, x, y - 5);
      }
      marks_ += fmt::format("<text x=\"{:.1f}\" y=\"{:.1f}\">{}</text>", x + 30, y, words);
      x += 30 + mm * on_.width(sheets::PlotWords::label, words) + 18;
    }
    return fmt::format(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" class=\"p\" viewBox=\"0 0 {0:g} {1:g}\" "
        "role=\"img\" aria-label=\"{2}\">\n{3}\n<rect width=\"{0:g}\" height=\"{1:g}\" "
        "fill=\"#fff\"/><text class=\"title\" x=\"{4:g}\" y=\"28\">{2}</text>\n{5}\n{6}</svg>\n",
        width * mm,
        height * mm,
        html_text(title_),
        style,
        left * mm,
        on_.text(),
        marks_);
  }

 private:
  std::string title_;
  Axes axes_;
  sheets::SvgPlot on_;
  std::string marks_;
  std::vector<cv::Point2d> taken_;
};

// The learned speed from the wedge (0) over each use to the next one, as factors.
struct Learned {
  std::vector<double> at, best, low, high;
  void add(double x, double ln, double sd) {
    at.push_back(x);
    best.push_back(std::exp(ln));
    low.push_back(std::exp(ln - kHalf90 * sd));
    high.push_back(std::exp(ln + kHalf90 * sd));
  }
};

}  // namespace

std::string drift_svg(const book::SpeedHistory& h, const std::string& name) {
  const int uses = static_cast<int>(h.steps.size());
  Learned learned;
  learned.add(0, 0, book::wedge_ln_sd);
  for (const auto& s : h.steps) learned.add(s.use + 1, s.after, s.after_sd);
  if (h.compared > 0) learned.add(uses + 1, std::log(h.speed), h.ln_sd);
  Range y{0.9, 1.1};
  for (const double v : learned.low) widen(y, v);
  for (const double v : learned.high) widen(y, v);
  for (const auto& s : h.steps) {
    if (!s.evidence) continue;
    widen(y, std::exp(s.evidence->ln_speed - kHalf90 * s.measured_sd));
    widen(y, std::exp(s.evidence->ln_speed + kHalf90 * s.measured_sd));
  }
  Axis x{-0.4, uses + 1.4, false, counted(1, uses), "use of the batch"};
  x.ticks.insert(x.ticks.begin(), {0, "wedge"});
  if (h.compared > 0) x.ticks.push_back({uses + 1.0, "next"});
  Plot plot("Batch " + name + ": minutes needed against the wedge's",
            x,
            round_axis(y, "times the wedge's minutes"));
  plot.band(learned.at, learned.low, learned.high);
  plot.line("limit", {{x.from, 1}, {x.to, 1}});
  std::vector<cv::Point2d> line;
  for (std::size_t i = 0; i < learned.at.size(); ++i) {
    line.emplace_back(learned.at[i], learned.best[i]);
  }
  plot.line("learned", line);
  for (const auto& s : h.steps) {
    if (!s.evidence) continue;
    const double ln = s.evidence->ln_speed, use = s.use + 1;
    plot.bar(use, std::exp(ln - kHalf90 * s.measured_sd), std::exp(ln + kHalf90 * s.measured_sd));
    plot.dot("measured",
             s.unexpected,
             {use, std::exp(ln)},
             fmt::format("{} state {}, {}: {:.2f}", s.plate, s.state, s.date, std::exp(ln)));
  }
  return plot.done({{"measured", "what a state showed, 90 %"},
                    {"measured hollow", "unexpected"},
                    {"learned", "learned, 90 % band"}});
}

std::string reached_svg(const book::SpeedHistory& h, const std::string& name) {
  Range range{0, 0.5};
  for (const auto& s : h.steps) {
    if (!s.evidence) continue;
    for (const auto& a : s.evidence->answers) widen(range, a.predicted), widen(range, a.reached);
  }
  const Axis up = round_axis(range, "density reached, D");
  Axis along = up;
  along.words = "density predicted, D";
  Plot plot("Batch " + name + ": predicted against reached", along, up);
  plot.line("limit", {{up.from, up.from}, {up.to, up.to}});
  for (const auto& s : h.steps) {
    if (!s.evidence) continue;
    for (const auto& a : s.evidence->answers) {
      plot.dot(a.minutes > 0 ? "dot" : "still",
               a.weight < 0.3,
               {a.predicted, a.reached},
               fmt::format("{} state {}, region {}: predicted {:.2f}, reached {:.2f}",
                           s.plate,
                           s.state,
                           a.region,
                           a.predicted,
                           a.reached));
    }
  }
  const bool empty = std::ranges::all_of(
      h.steps, [](const auto& s) { return !s.evidence || s.evidence->answers.empty(); });
  if (empty) {
    plot.words_beside({up.from + 0.08 * (up.to - up.from), (up.from + up.to) / 2},
                      "No proof was compared with its plan yet: record the next one.");
  }
  return plot.done({{"dot", "bitten"},
                    {"still", "not bitten"},
                    {"dot hollow", "left aside: agrees with no other region"}});
}

std::string tone_history_svg(const book::Story& story) {
  std::map<book::Id, int> number;
  for (const auto& s : story.states) number[s.id] = s.number;
  // Regions are those of one plan: their numbers hold from a plan to the state that follows it.
  struct Row {
    const book::Prediction* p;
    int state;
  };
  std::vector<Row> rows;
  Range x{1e9, -1e9}, y{0, 0.5};
  for (const auto& plan : story.plans) {
    if (!plan.current) continue;
    for (const auto& p : story.predictions) {
      if (p.plan != plan.id) continue;
      rows.push_back({&p, number[plan.state]});
      widen(x, rows.back().state), widen(x, rows.back().state + 1);
      widen(y, p.now), widen(y, p.predicted), widen(y, p.reached.value_or(p.predicted));
    }
  }
  if (rows.empty()) return {};
  Plot plot("Tone of each region over the states",
            {x.first - 0.1,
             x.second + 0.06 * (x.second - x.first) + 0.1,
             false,
             counted(static_cast<int>(x.first), static_cast<int>(x.second)),
             "state"},
            round_axis(y, "density, D"));
  for (const auto& [p, state] : rows) {
    const auto words = fmt::format("state {}, region {}, {}", state, p->region, p->action);
    const double at = state;
    plot.line("promised", {{at, p->now}, {at + 1, p->predicted}});
    if (p->reached) plot.line("learned", {{at, p->now}, {at + 1, *p->reached}});
    plot.dot("still", false, {at, p->now}, words);
    plot.dot("still", true, {at + 1, p->predicted}, words + ": predicted");
    if (p->reached) plot.dot("dot", false, {at + 1, *p->reached}, words + ": reached");
  }
  const auto off = [](const Row& r) {
    return std::fabs(r.p->reached.value_or(r.p->predicted) - r.p->predicted);
  };
  std::stable_sort(
      rows.begin(), rows.end(), [&](const Row& a, const Row& b) { return off(a) > off(b); });
  for (const auto& [p, state] : rows) {
    plot.words_beside({state + 1.0, p->reached.value_or(p->predicted)}, std::to_string(p->region));
  }
  return plot.done(
      {{"still", "as it was"}, {"still hollow", "predicted"}, {"dot", "reached; its region"}});
}

}  // namespace rebite::jobs

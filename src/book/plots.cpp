#include "book/plots.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>

#include "units/html_text.h"

namespace rebite::book {
namespace {

constexpr double width = 640, height = 360, left = 64, right = 16, top = 36, bottom = 48;

// A frame with round ticks; x and y in data units.
class Plot {
 public:
  Plot(const std::string& title,
       const std::string& x_words,
       const std::string& y_words,
       std::pair<double, double> x,
       std::pair<double, double> y)
      : x_(x), y_(y) {
    if (x_.second - x_.first < 1e-9) x_.second = x_.first + 1;
    if (y_.second - y_.first < 1e-9) y_.second = y_.first + 1;
    svg_ = fmt::format(
        "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {0} {1}\" role=\"img\" "
        "aria-label=\"{2}\" font-family=\"sans-serif\" font-size=\"12\">\n"
        "<rect width=\"{0}\" height=\"{1}\" fill=\"#fff\"/>\n"
        "<text x=\"{3}\" y=\"22\" font-size=\"14\" font-weight=\"bold\">{2}</text>\n",
        width,
        height,
        html_text(title),
        left);
    for (const double v : ticks(y_)) {
      svg_ += fmt::format(
          "<path d=\"M{:.1f} {:.1f}H{:.1f}\" stroke=\"#ddd\"/><text x=\"{:.1f}\" y=\"{:.1f}\" "
          "text-anchor=\"end\">{:g}</text>\n",
          left,
          py(v),
          width - right,
          left - 6,
          py(v) + 4,
          rounded(v));
    }
    for (const double v : ticks(x_)) {
      svg_ += fmt::format(
          "<path d=\"M{0:.1f} {1:.1f}v5\" stroke=\"#333\"/><text x=\"{0:.1f}\" y=\"{2:.1f}\" "
          "text-anchor=\"middle\">{3:g}</text>\n",
          px(v),
          height - bottom,
          height - bottom + 18,
          rounded(v));
    }
    svg_ += fmt::format(
        "<path d=\"M{0} {1}V{2}H{3}\" fill=\"none\" stroke=\"#333\"/>\n"
        "<text x=\"{4}\" y=\"{5}\" text-anchor=\"middle\">{6}</text>\n"
        "<text transform=\"translate(16 {7}) rotate(-90)\" text-anchor=\"middle\">{8}</text>\n",
        left,
        top,
        height - bottom,
        width - right,
        (left + width - right) / 2,
        height - 10,
        html_text(x_words),
        (top + height - bottom) / 2,
        html_text(y_words));
  }

  double px(double x) const {
    return left + (x - x_.first) / (x_.second - x_.first) * (width - left - right);
  }
  double py(double y) const {
    return height - bottom - (y - y_.first) / (y_.second - y_.first) * (height - top - bottom);
  }
  void line(const std::vector<std::pair<double, double>>& points, const char* style) {
    if (points.empty()) return;
    std::string d;
    for (const auto& [x, y] : points) {
      d += fmt::format("{}{:.1f} {:.1f}", d.empty() ? "M" : "L", px(x), py(y));
    }
    svg_ += fmt::format("<path d=\"{}\" {}/>\n", d, style);
  }
  void dot(double x, double y, bool hollow, const std::string& words, const char* colour) {
    svg_ += fmt::format(
        "<circle cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"3.5\" fill=\"{}\" stroke=\"{}\"><title>{}"
        "</title></circle>\n",
        px(x),
        py(y),
        hollow ? "#fff" : colour,
        colour,
        html_text(words));
  }
  void words(double x, double y, const std::string& text) {
    svg_ += fmt::format(
        "<text x=\"{:.1f}\" y=\"{:.1f}\">{}</text>\n", px(x) + 6, py(y) + 4, html_text(text));
  }
  std::string done() { return svg_ + "</svg>\n"; }

 private:
  static double rounded(double v) { return std::round(v * 1e6) / 1e6 + 0.0; }
  static std::vector<double> ticks(std::pair<double, double> range) {
    const double span = range.second - range.first;
    double step = std::pow(10, std::floor(std::log10(span / 4)));
    for (const double k : {2.0, 2.5, 2.0}) {
      if (span / step > 8) step *= k;
    }
    std::vector<double> out;
    for (double v = std::ceil(range.first / step - 1e-9) * step; v <= range.second + step * 1e-6;
         v += step) {
      out.push_back(v);
    }
    return out;
  }

  std::pair<double, double> x_, y_;
  std::string svg_;
};

void widen(std::pair<double, double>& range, double v) {
  range.first = std::min(range.first, v);
  range.second = std::max(range.second, v);
}

}  // namespace

std::string drift_svg(const SpeedHistory& h, const std::string& name) {
  std::pair<double, double> y{0.8, 1.25};
  std::vector<std::pair<double, double>> learned, low, high;
  for (std::size_t i = 0; i < h.steps.size(); ++i) {
    const auto& s = h.steps[i];
    const double use = static_cast<double>(i) + 1;
    learned.emplace_back(use, std::exp(s.after));
    low.emplace_back(use, std::exp(s.after - 1.645 * s.after_sd));
    high.emplace_back(use, std::exp(s.after + 1.645 * s.after_sd));
    widen(y, low.back().second), widen(y, high.back().second);
    if (s.evidence) widen(y, std::exp(s.evidence->ln_speed));
  }
  Plot plot(fmt::format("Batch {}: minutes needed against the wedge's", name),
            "use of the batch",
            "factor on time",
            {0.5, static_cast<double>(h.steps.size()) + 0.5},
            y);
  plot.line({{0.5, 1}, {static_cast<double>(h.steps.size()) + 0.5, 1}},
            "fill=\"none\" stroke=\"#333\" stroke-dasharray=\"2 3\"");
  plot.line(low, "fill=\"none\" stroke=\"#0072B2\" stroke-dasharray=\"6 3\"");
  plot.line(high, "fill=\"none\" stroke=\"#0072B2\" stroke-dasharray=\"6 3\"");
  plot.line(learned, "fill=\"none\" stroke=\"#0072B2\" stroke-width=\"2\"");
  for (std::size_t i = 0; i < h.steps.size(); ++i) {
    const auto& s = h.steps[i];
    if (!s.evidence) continue;
    const double use = static_cast<double>(i) + 1;
    const double x = s.evidence->ln_speed;
    plot.line(
        {{use, std::exp(x - 1.645 * s.measured_sd)}, {use, std::exp(x + 1.645 * s.measured_sd)}},
        "fill=\"none\" stroke=\"#D55E00\"");
    plot.dot(use,
             std::exp(x),
             s.unexpected,
             fmt::format("{} state {}, {}: {:.2f}", s.plate, s.state, s.date, std::exp(x)),
             "#D55E00");
  }
  return plot.done();
}

std::string reached_svg(const SpeedHistory& h, const std::string& name) {
  std::pair<double, double> range{0, 1};
  for (const auto& s : h.steps) {
    if (!s.evidence) continue;
    for (const auto& a : s.evidence->answers) widen(range, a.predicted), widen(range, a.reached);
  }
  Plot plot(fmt::format("Batch {}: predicted against reached", name),
            "density predicted",
            "density reached",
            range,
            range);
  plot.line({{range.first, range.first}, {range.second, range.second}},
            "fill=\"none\" stroke=\"#333\" stroke-dasharray=\"2 3\"");
  for (const auto& s : h.steps) {
    if (!s.evidence) continue;
    for (const auto& a : s.evidence->answers) {
      plot.dot(a.predicted,
               a.reached,
               a.weight<0.3,
                        fmt::format("{} state {}, region {}", s.plate, s.state, a.region),
                        a.minutes> 0
                   ? "#0072B2"
                   : "#777");
    }
  }
  return plot.done();
}

std::string tone_history_svg(const Story& story) {
  // Regions are those of one plan: their numbers hold from a plan to the state that follows it.
  std::map<Id, int> number;
  for (const auto& s : story.states) number[s.id] = s.number;
  std::map<Id, Id> state_of;
  for (const auto& p : story.plans) state_of[p.id] = p.state;
  std::map<Id, bool> current;
  for (const auto& p : story.plans) current[p.id] = p.current;
  std::pair<double, double> x{1, 2}, y{0, 1};
  for (const auto& p : story.predictions) {
    const double at = number[state_of[p.plan]];
    widen(x, at), widen(x, at + 1);
    widen(y, p.now), widen(y, p.predicted), widen(y, p.reached.value_or(p.predicted));
  }
  Plot plot("Tone of each region over the states", "state", "density", x, y);
  for (const auto& p : story.predictions) {
    const Id state = state_of[p.plan];
    if (!current[p.plan]) continue;
    const double at = number[state];
    const auto words = fmt::format("state {}, region {}, {}", number[state], p.region, p.action);
    plot.line({{at, p.now}, {at + 1, p.predicted}},
              "fill=\"none\" stroke=\"#999\" stroke-dasharray=\"5 3\"");
    plot.dot(at, p.now, false, words, "#333");
    if (!p.reached) {
      plot.dot(at + 1, p.predicted, true, words + ": predicted", "#999");
      continue;
    }
    plot.line({{at, p.now}, {at + 1, *p.reached}}, "fill=\"none\" stroke=\"#0072B2\"");
    plot.dot(at + 1, *p.reached, false, words + ": reached", "#0072B2");
    plot.words(at + 1, *p.reached, std::to_string(p.region));
  }
  return plot.done();
}

}  // namespace rebite::book

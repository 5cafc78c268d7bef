#include "sheets/report_figures.h"

#include <fmt/format.h>

#include <algorithm>
#include <map>
#include <set>

#include "plan/lower.h"
#include "sheets/label_places.h"
#include "sheets/outlines.h"
#include "sheets/report_text.h"

namespace rebite::sheets {
namespace {

// An outline as an SVG path, to a hundredth of a millimetre.
std::string path_of(const Outline& outline) {
  std::string d;
  for (const auto& ring : outline.rings) {
    for (std::size_t i = 0; i < ring.size(); ++i)
      d += fmt::format("{}{:.5g} {:.5g}", i == 0 ? "M" : "L", ring[i].x, ring[i].y);
    d += "z";
  }
  return d;
}

// Plate millimetres per hatch unit: a figure of ordinary size shows a cell of 8 units as 8 px.
double hatch_scale(SizeMm plate) { return std::max(plate.width, plate.height) / 620; }

std::string hex(Rgb c) { return fmt::format("#{:02x}{:02x}{:02x}", c.r, c.g, c.b); }

// The palette's hatches as one cell of a pattern: marks as path data, and how far it is turned
// (degrees clockwise, as SVG counts; the palette's angles count the other way).
struct Cell {
  double width = 8, height = 8;
  int turn = 0;
  std::string path;  // stroked
  double stroke = 1;
  std::string dots;  // filled circles
};

Cell cell_of(Hatch hatch, double step) {
  const auto line = [&](int turn) {
    return Cell{step, step, turn, fmt::format("M0 {0:.3g}H{1:.3g}", step / 2, step), 1, ""};
  };
  const auto both = [&](int turn) {
    return Cell{step,
                step,
                turn,
                fmt::format("M0 {0:.3g}H{1:.3g}M{0:.3g} 0V{1:.3g}", step / 2, step),
                1,
                ""};
  };
  const double rise = 0.866 * step;  // rows of a staggered pattern
  const auto ring = [](double x, double y, double r) {
    return fmt::format(
        "M{:.3g} {:.3g}a{r:.3g} {r:.3g} 0 1 0 {d:.3g} 0a{r:.3g} {r:.3g} 0 1 0 -{d:.3g} 0",
        x - r,
        y,
        fmt::arg("r", r),
        fmt::arg("d", 2 * r));
  };
  switch (hatch) {
    case Hatch::rising:
      return line(-45);
    case Hatch::falling:
      return line(45);
    case Hatch::level:
      return line(0);
    case Hatch::upright:
      return line(90);
    case Hatch::crossed:
      return both(45);
    case Hatch::grid:
      return both(0);
    case Hatch::heavy: {
      Cell c = line(-60);
      c.stroke = 2.2;
      return c;
    }
    case Hatch::dots:
    case Hatch::rings: {
      const double r = (hatch == Hatch::dots ? 0.24 : 0.3) * step;
      const std::string path =
          ring(0.5 * step, 0.5 * rise, r) + ring(0, 1.5 * rise, r) + ring(step, 1.5 * rise, r);
      if (hatch == Hatch::dots) return {step, 2 * rise, 0, "", 1, path};
      return {step, 2 * rise, 0, path, 1.1, ""};
    }
    case Hatch::dashes: {
      const double w = 1.6 * step, h = 0.866 * w, l = 0.4 * step;
      return {w,
              2 * h,
              0,
              fmt::format("M{:.3g} {:.3g}h{:.3g}M0 {:.3g}h{l:.3g}M{:.3g} {:.3g}h{l:.3g}",
                          w / 2 - l,
                          h / 2,
                          2 * l,
                          1.5 * h,
                          w - l,
                          1.5 * h,
                          fmt::arg("l", l)),
              1,
              ""};
    }
    case Hatch::bar:  // line work is outlined only
    case Hatch::none:
      return {};
  }
  return {};
}

// `suffix` "-flat": at one unit per px, for swatches and for the components, which scale it.
std::string pattern(const std::string& key,
                    const Style& style,
                    const std::string& suffix,
                    double scale) {
  constexpr double unit = 6;  // px between lines, times the style's spacing
  const Cell c = cell_of(style.hatch, unit * style.spacing);
  std::string out = fmt::format(
      "<pattern id=\"hatch-{0}{1}\" data-key=\"{0}\" data-turn=\"{2}\" width=\"{3:.4g}\" "
      "height=\"{4:.4g}\" patternUnits=\"userSpaceOnUse\" patternTransform=\"scale({5:.4g}) "
      "rotate({2})\">",
      key,
      suffix,
      c.turn,
      c.width,
      c.height,
      scale);
  if (style.filled)
    out += fmt::format("<rect width=\"{:.4g}\" height=\"{:.4g}\" fill=\"{}\"/>",
                       c.width,
                       c.height,
                       hex(style.fill));
  if (!c.path.empty())
    out += fmt::format(
        "<path d=\"{0}\" fill=\"none\" stroke=\"#fff\" stroke-opacity=\".75\" "
        "stroke-width=\"{1:.3g}\"/><path d=\"{0}\" fill=\"none\" stroke=\"#000\" "
        "stroke-width=\"{2:.3g}\"/>",
        c.path,
        2.6 * c.stroke,
        c.stroke);
  if (!c.dots.empty())
    out += fmt::format(
        "<path d=\"{0}\" fill=\"#000\" stroke=\"#fff\" stroke-opacity=\".75\" "
        "stroke-width=\".8\"/>",
        c.dots);
  return out + "</pattern>";
}

// Numbers in the order of area; one that would lie over an earlier one is set smaller, and left out
// where even that does not help. `x_of` turns plate millimetres into the figure's x.
template <class XOf>
std::string numbers(const SheetContent& c, const std::set<int>& only, XOf x_of) {
  const double size = std::max(c.plate.width, c.plate.height) / 42;
  std::vector<const plan::PlannedRegion*> order;
  for (const auto& r : c.plan.regions)
    if (only.contains(r.region.id)) order.push_back(&r);
  std::stable_sort(order.begin(), order.end(), [](const auto* a, const auto* b) {
    return a->region.area_mm2 > b->region.area_mm2;
  });
  std::vector<cv::Rect2d> taken;
  std::string out = fmt::format("<g class=\"numbers\" font-size=\"{:.3g}\">", size);
  for (const auto* r : order) {
    const double x = x_of(r->region.centre), y = r->region.centre.y;
    const auto digits = static_cast<double>(std::to_string(r->region.id).size());
    for (const double em : {size, 0.72 * size}) {
      const double w = em * 0.68 * digits;
      const cv::Rect2d box(x - w / 2, y - em / 2, w, em);
      if (std::any_of(
              taken.begin(), taken.end(), [&](const auto& t) { return (t & box).area() > 0; }))
        continue;
      taken.push_back(box);
      out += fmt::format("<text x=\"{:.4g}\" y=\"{:.4g}\"{}>{}</text>",
                         x,
                         y,
                         em < size ? fmt::format(" font-size=\"{:.3g}\"", em) : "",
                         r->region.id);
      break;
    }
  }
  return out + "</g>";
}

// Numbers as the map has them: none over another, with a leader where the region is too small.
// Large enough for a picture as wide as a phone.
std::string placed_numbers(const SheetContent& c) {
  const double side = std::max(c.plate.width, c.plate.height);
  std::vector<int> ids;
  for (const auto& r : c.plan.regions) ids.push_back(r.region.id);
  LabelOptions o;
  o.size_mm = side / 26;
  o.smallest_mm = side / 36;
  o.leader_mm = side / 34;
  o.pad_mm = side / 320;
  const auto places = label_places(c.map.labels, c.map.grid.px_per_mm, c.plate, ids, o);
  std::string lines, words;
  for (const LabelPlace& l : places) {
    if (l.leader)
      lines += fmt::format("M{:.4g} {:.4g}L{:.4g} {:.4g}", l.at.x, l.at.y, l.anchor.x, l.anchor.y);
    words += fmt::format("<text x=\"{:.4g}\" y=\"{:.4g}\" font-size=\"{:.3g}\">{}</text>",
                         l.at.x,
                         l.at.y,
                         l.size_mm,
                         l.id);
  }
  return (lines.empty() ? "" : "<path class=\"leaders\" d=\"" + lines + "\"/>") +
         "<g class=\"numbers\">" + words + "</g>";
}

std::string svg_open(const SheetContent& c, const std::string& cls, const std::string& says) {
  return fmt::format(
      "<svg class=\"{}\" viewBox=\"0 0 {:.6g} {:.6g}\" role=\"img\" aria-label=\"{}\">",
      cls,
      c.plate.width,
      c.plate.height,
      html_text(says));
}

}  // namespace

std::string look_of(const plan::PlannedRegion& r) {
  if (r.action == plan::Action::bite && r.stage > 0) return fmt::format("stage-{}", r.stage);
  return plan::lowered_by_eye(r) ? "lighter" : action_key(r.action);
}

std::vector<Look> looks_used(const SheetContent& c) {
  const int stages = static_cast<int>(c.plan.stages.size());
  std::map<std::pair<int, std::string>, Look> used;  // stages first, in their order
  for (const auto& r : c.plan.regions) {
    const std::string key = look_of(r);
    const bool staged = key.starts_with("stage-");
    std::string words = left_this_time(r, stages) ? "Left this time" : action_words(r);
    for (const auto& s : c.plan.stages)
      if (staged && s.number == r.stage)
        words = fmt::format("stage {}, {}", s.number, clock_text(s.total));
    used[{staged ? r.stage : 1000000, key}] = {key, words, style_of(r, stages)};
  }
  std::vector<Look> out;
  for (auto& [order, look] : used) out.push_back(std::move(look));
  return out;
}

std::string defs_svg(const SheetContent& c) {
  std::string out =
      "<svg id=\"rebite-defs\" class=\"defs\" width=\"0\" height=\"0\" aria-hidden=\"true\"><defs>";
  for (const Look& l : looks_used(c))
    out += pattern(l.key, l.style, "", hatch_scale(c.plate)) + pattern(l.key, l.style, "-flat", 1);
  for (const auto& o : outlines(c.map.labels, c.map.grid.px_per_mm, c.plate))
    if (o.id != 0)
      out += fmt::format("<path id=\"shape-{}\" vector-effect=\"non-scaling-stroke\" d=\"{}\"/>",
                         o.id,
                         path_of(o));
  return out + "</defs></svg>";
}

std::string map_figure(const SheetContent& c) {
  std::string out = svg_open(c, "map", "Regions over the proof, print view");
  out += "<g class=\"fills\">";
  for (const auto& r : c.plan.regions)
    out += fmt::format("<use href=\"#shape-{0}\" fill=\"url(#hatch-{1})\" data-region=\"{0}\"/>",
                       r.region.id,
                       look_of(r));
  return out + "</g>" + placed_numbers(c) + "</svg>";
}

std::string stage_figure(const SheetContent& c, const plan::Stage& stage) {
  const std::set<int> open(stage.still_open.begin(), stage.still_open.end());
  const std::set<int> now(stage.stop_out_before.begin(), stage.stop_out_before.end());
  std::string out = svg_open(
      c,
      "dip",
      fmt::format("Plate view before dip {}. Stop out now: {}. Open in the bath: {}.",
                  stage.number,
                  stage.stop_out_before.empty() ? "nothing" : list_text(stage.stop_out_before),
                  stage.still_open.empty() ? "nothing" : list_text(stage.still_open)));
  const bool first = stage.number == 1;
  // What is not a region is held: stopped out before the first dip.
  out += fmt::format("<rect width=\"{:.6g}\" height=\"{:.6g}\" class=\"{}\"/>",
                     c.plate.width,
                     c.plate.height,
                     first ? "now" : "before");
  out += fmt::format("<g transform=\"translate({:.6g} 0) scale(-1 1)\">", c.plate.width);
  for (const auto& r : c.plan.regions) {
    const int id = r.region.id;
    const char* cls = open.contains(id) ? "open" : now.contains(id) || first ? "now" : "before";
    out += fmt::format("<use href=\"#shape-{}\" class=\"{}\"/>", id, cls);
  }
  out += "</g>";
  std::set<int> named(open);
  named.insert(now.begin(), now.end());
  out += numbers(c, named, [&](PlateMm p) { return plate_view(p, c.plate).x; });
  return out + "</svg>";
}

std::string swatch(const std::string& key) {
  const char* stroke =
      key == "line" ? "<path d=\"M5 19L19 5\" stroke=\"#000\" stroke-width=\"2.5\"/>" : "";
  return fmt::format(
      "<svg class=\"swatch\" viewBox=\"0 0 24 24\" width=\"24\" height=\"24\" aria-hidden=\"true\">"
      "<rect x=\".5\" y=\".5\" width=\"23\" height=\"23\" fill=\"url(#hatch-{}-flat)\" "
      "stroke=\"#111\"/>{}</svg>",
      key,
      stroke);
}

}  // namespace rebite::sheets

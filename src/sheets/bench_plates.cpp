// The plate on bench pages: stages, zones to lower or to work by hand, transfer; the legend.
#include <algorithm>
#include <map>
#include <set>

#include "plan/lower.h"
#include "sheets/bench_parts.h"

namespace rebite::sheets {
namespace {

constexpr double fine = 0.18, firm = 0.35;

bool holds(const std::vector<int>& ids, int id) {
  return std::find(ids.begin(), ids.end(), id) != ids.end();
}

void stroke_outline(
    cairo_t* cr, const PlateFrame& f, const Outline& o, double width, const Ink& colour) {
  trace(cr, f, o);
  cairo_set_line_join(cr, CAIRO_LINE_JOIN_ROUND);
  set_ink(cr, colour);
  cairo_set_line_width(cr, width);
  cairo_stroke(cr);
}

}  // namespace

StopOut stop_out(const SheetContent& c, std::size_t stage, int id) {
  for (std::size_t s = 0; s < c.plan.stages.size(); ++s) {
    if (holds(c.plan.stages[s].stop_out_before, id)) {
      return s > stage ? StopOut::open : s == stage ? StopOut::now : StopOut::already;
    }
  }
  if (holds(c.plan.stages[stage].still_open, id)) return StopOut::open;
  return stage == 0 ? StopOut::now : StopOut::already;
}

void draw_stage_plate(cairo_t* cr,
                      const PlateFrame& f,
                      const SheetContent& c,
                      const PlateDrawing& d,
                      std::size_t stage) {
  std::map<int, StopOut> what;
  for (const auto& o : d.outlines) what[o.id] = stop_out(c, stage, o.id);
  // One path for all that is solid, one for all that is light: no hair lines between neighbours.
  for (const auto& o : d.outlines)
    if (what[o.id] == StopOut::already) trace(cr, f, o);
  const Style light{{255, 255, 255}, false, Hatch::rising, 1};
  set_ink(cr, {0.9, 0.9, 0.9, 1});
  cairo_fill_preserve(cr);
  hatch_path(cr, light, 2.2 * f.scale, fine * f.scale, false);
  cairo_new_path(cr);
  for (const auto& o : d.outlines)
    if (what[o.id] == StopOut::now) trace(cr, f, o);
  set_ink(cr, kBlack);
  cairo_fill(cr);
  for (const auto& o : d.outlines)
    if (o.id != 0 && what[o.id] == StopOut::now) stroke_outline(cr, f, o, fine * f.scale, kWhite);
  for (const auto& o : d.outlines)
    if (what[o.id] == StopOut::already) stroke_outline(cr, f, o, fine * f.scale, kBlack);
  for (const auto& o : d.outlines)
    if (what[o.id] == StopOut::open) stroke_outline(cr, f, o, firm * f.scale, kBlack);
  draw_tags(cr, f, d.places);
}

void draw_zones_plate(cairo_t* cr,
                      const PlateFrame& f,
                      const SheetContent& c,
                      const PlateDrawing& d,
                      const std::vector<int>& ids) {
  const std::set<int> zones(ids.begin(), ids.end());
  std::map<int, plan::Action> action;
  for (const auto& r : c.plan.regions)
    action[r.region.id] = plan::lowered_by_eye(r) ? plan::Action::burnish : r.action;
  for (const auto& o : d.outlines)
    if (o.id != 0) stroke_outline(cr, f, o, fine * f.scale, {0.55, 0.55, 0.55, 1});
  for (const auto& o : d.outlines) {
    if (!zones.contains(o.id)) continue;
    trace(cr, f, o);
    if (action[o.id] == plan::Action::line) {
      set_ink(cr, {0.75, 0.75, 0.75, 1});
      cairo_fill_preserve(cr);
    }
    hatch_path(cr, action_style(action[o.id]), 1.8 * f.scale, 0.25 * f.scale, false);
    cairo_new_path(cr);
    stroke_outline(cr, f, o, 1.5 * firm * f.scale, kBlack);
  }
  std::vector<LabelPlace> places;
  for (const auto& l : d.places)
    if (zones.contains(l.id)) places.push_back(l);
  draw_tags(cr, f, places);
}

void draw_transfer_plate(cairo_t* cr,
                         const PlateFrame& f,
                         const SheetContent&,
                         const PlateDrawing& d) {
  for (const auto& o : d.outlines)
    if (o.id != 0) stroke_outline(cr, f, o, 0.25 * f.scale, kBlack);
  draw_tags(cr, f, d.places);
}

void draw_legend(cairo_t* cr,
                 const Area& a,
                 int columns,
                 const std::vector<LegendRow>& rows,
                 const MapLook& look) {
  const double width = (a.width - 6 * (columns - 1)) / columns, high = 10.5;
  const auto per =
      (rows.size() + static_cast<std::size_t>(columns) - 1) / static_cast<std::size_t>(columns);
  for (std::size_t i = 0; i < rows.size(); ++i) {
    const std::size_t column = i / per, row = i % per;
    const double x = a.x + static_cast<double>(column) * (width + 6);
    const double y = a.y + 3 + static_cast<double>(row) * high;
    draw_swatch(cr, rows[i].style, x, y, 13, 7.5, look);
    draw_text(cr,
              x + 15,
              y + 3.2,
              shortened(cr, rows[i].head, width - 15, 3.5, true),
              {3.5, true, Align::left, kBlack, 0});
    draw_text(cr,
              x + 15,
              y + 7.2,
              shortened(cr, rows[i].detail, width - 15, 3),
              {3, false, Align::left, kBlack, 0});
  }
}

}  // namespace rebite::sheets

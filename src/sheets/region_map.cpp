#include "sheets/region_map.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>

#include "plan/lower.h"
#include "sheets/wording.h"

namespace rebite::sheets {
namespace {

std::map<int, const plan::PlannedRegion*> by_id(const SheetContent& c) {
  std::map<int, const plan::PlannedRegion*> out;
  for (const auto& r : c.plan.regions) out[r.region.id] = &r;
  return out;
}

cv::Mat1b faded(const cv::Mat1b& grey) {
  cv::Mat1b table(1, 256), out;
  for (int i = 0; i < 256; ++i) table(0, i) = static_cast<uchar>(90 + i * 165 / 255);
  cv::LUT(grey, table, out);
  return out;
}

void draw_leader(cairo_t* cr, const PlateFrame& f, const LabelPlace& l) {
  if (!l.leader) return;
  const auto a = f.place(l.at), b = f.place(l.anchor);
  const double w = 0.09 * l.size_mm * f.scale;
  line(cr, a.x, a.y, b.x, b.y, 3 * w, kWhite);
  line(cr, a.x, a.y, b.x, b.y, w);
  for (const auto& [radius, colour] : {std::pair{2.6 * w, kWhite}, std::pair{1.6 * w, kBlack}}) {
    set_ink(cr, colour);
    cairo_arc(cr, b.x, b.y, radius, 0, 2 * std::numbers::pi);
    cairo_fill(cr);
  }
}

LegendRow row_of(const SheetContent& c,
                 const Style& style,
                 const std::string& head,
                 const std::vector<const plan::PlannedRegion*>& regions) {
  double area = 0;
  std::vector<int> ids;
  for (const auto* r : regions) {
    area += r->region.area_mm2;
    ids.push_back(r->region.id);
  }
  return {style,
          head,
          count_text(ids.size(), "region", "regions") + " · " + area_text(area, c.units) + " · " +
              ids_text(ids, 12)};
}

}  // namespace

cv::Point2d PlateFrame::place(PlateMm p) const {
  if (!plate_view) return {x + p.x * scale, y + p.y * scale};
  const MetalMm m = rebite::plate_view(p, plate);
  return {x + m.x * scale, y + m.y * scale};
}

std::vector<LabelPlace> number_places(const SheetContent& c, const LabelOptions& labels) {
  std::vector<int> ids;
  for (const auto& r : c.plan.regions) ids.push_back(r.region.id);
  return label_places(c.map.labels, c.map.grid.px_per_mm, c.plate, ids, labels);
}

PlateDrawing plate_drawing(const SheetContent& c,
                           const LabelOptions& labels,
                           const OutlineOptions& outline) {
  return {outlines(c.map.labels, c.map.grid.px_per_mm, c.plate, outline), number_places(c, labels)};
}

void trace(cairo_t* cr, const PlateFrame& f, const Outline& o) {
  for (const Ring& ring : o.rings) {
    cairo_new_sub_path(cr);
    for (const PlateMm& p : ring) {
      const auto q = f.place(p);
      cairo_line_to(cr, q.x, q.y);
    }
    cairo_close_path(cr);
  }
}

void draw_artwork(cairo_t* cr, const PlateFrame& f, const SheetContent& c) {
  if (c.proof_picture.empty()) return;
  cv::Mat1b grey = faded(c.proof_picture);
  if (f.plate_view) cv::flip(grey, grey, 1);
  // The picture may reach a part of a pixel past the plate: it keeps its own scale and is cut.
  cairo_save(cr);
  cairo_rectangle(cr, f.x, f.y, f.width(), f.height());
  cairo_clip(cr);
  const double w = c.picture_px_per_mm > 0 ? grey.cols / c.picture_px_per_mm * f.scale : f.width();
  const double h = c.picture_px_per_mm > 0 ? grey.rows / c.picture_px_per_mm * f.scale : f.height();
  draw_picture(cr, grey, f.plate_view ? f.x + f.width() - w : f.x, f.y, w, h);
  cairo_restore(cr);
}

void draw_tags(cairo_t* cr, const PlateFrame& f, const std::vector<LabelPlace>& places) {
  for (const auto& l : places) draw_leader(cr, f, l);
  for (const auto& l : places) {
    const auto at = f.place(l.at);
    const double w = l.width_mm * f.scale, h = l.height_mm * f.scale;
    round_box_path(cr, at.x - w / 2, at.y - h / 2, w, h, 0.25 * h);
    set_ink(cr, {1, 1, 1, 0.94});
    cairo_fill(cr);
    const double size = l.size_mm * f.scale;
    draw_text(cr,
              at.x,
              at.y + 0.3645 * size,
              std::to_string(l.id),
              {size, true, Align::centre, kBlack, 0});
  }
}

void draw_region_map(cairo_t* cr,
                     const PlateFrame& f,
                     const SheetContent& c,
                     const PlateDrawing& d,
                     const MapLook& look) {
  if (look.artwork) draw_artwork(cr, f, c);
  const auto regions = by_id(c);
  const int stages = static_cast<int>(c.plan.stages.size());
  const auto each = [&](auto&& doing) {
    for (const auto& o : d.outlines) {
      const auto it = regions.find(o.id);
      if (it == regions.end()) continue;
      trace(cr, f, o);
      doing(style_of(*it->second, stages));
    }
  };
  each([&](const Style& s) {
    if (s.filled && look.fills) {
      set_ink(cr, ink(s.fill, kFillOpacity));
      cairo_fill_preserve(cr);
    }
    hatch_path(cr, s, look.hatch_unit, look.hatch_width, true);
    cairo_new_path(cr);
  });
  cairo_set_line_join(cr, CAIRO_LINE_JOIN_ROUND);
  for (const auto& [width, colour] :
       {std::pair{look.casing, kWhite}, std::pair{look.line, kBlack}}) {
    each([&](const Style&) {
      set_ink(cr, colour);
      cairo_set_line_width(cr, width);
      cairo_stroke(cr);
    });
  }
  box(cr, f.x, f.y, f.width(), f.height(), look.line);
  draw_tags(cr, f, d.places);
}

std::vector<LegendRow> legend(const SheetContent& c) {
  using plan::Action;
  std::vector<LegendRow> rows;
  const int stages = static_cast<int>(c.plan.stages.size());
  const auto pick = [&](auto&& wanted) {
    std::vector<const plan::PlannedRegion*> out;
    for (const auto& r : c.plan.regions)
      if (wanted(r)) out.push_back(&r);
    return out;
  };
  for (const auto& s : c.plan.stages) {
    const auto regions =
        pick([&](const auto& r) { return r.action == Action::bite && r.stage == s.number; });
    const std::string head = fmt::format("Stage {} · {}", s.number, dip_text(s));
    rows.push_back(row_of(c, stage_style(s.number, stages), head, regions));
    if (regions.empty()) rows.back().detail = "nothing ends here: the darkest go on";
  }
  const auto add = [&](Action action, const std::string& head, auto&& wanted) {
    const auto regions = pick(wanted);
    if (!regions.empty()) rows.push_back(row_of(c, action_style(action), head, regions));
  };
  if (stages == 0)
    add(Action::bite, "Bite (no wedge: no minutes)", [](const auto& r) {
      return r.action == Action::bite;
    });
  const std::string when = c.plan.ground == plan::Ground::fresh ? ", before the ground" : ", after";
  for (const auto& [action, head] :
       {std::pair{Action::beyond, std::string("Beyond: darker than this bath gives")},
        std::pair{Action::burnish, "Burnish" + when},
        std::pair{Action::scrape, "Scrape, burnish" + when}}) {
    add(action, head, [a = action](const auto& r) { return r.action == a; });
  }
  const auto degrees = pick([](const auto& r) { return plan::lowered_by_eye(r); });
  if (!degrees.empty())
    rows.push_back(
        row_of(c, style_of(*degrees.front(), stages), "Burnish by degrees" + when, degrees));
  for (const auto& [action, head] :
       {std::pair{Action::soft, "Soft passage: by free hand"},
        std::pair{Action::line, "Drawn lines: stop out, needle later"}}) {
    add(action, head, [a = action](const auto& r) {
      return r.action == a && !plan::lowered_by_eye(r);
    });
  }
  const auto left = pick([&](const auto& r) { return left_this_time(r, stages); });
  if (!left.empty())
    rows.push_back(row_of(c, action_style(Action::hold), "Left this time: no stage fits", left));
  rows.push_back({action_style(Action::hold), "Hold: leave alone", "the plain parts, no number"});
  return rows;
}

void draw_swatch(
    cairo_t* cr, const Style& s, double x, double y, double w, double h, const MapLook& look) {
  cairo_rectangle(cr, x, y, w, h);
  if (s.filled && look.fills) {
    set_ink(cr, ink(s.fill));
    cairo_fill_preserve(cr);
  }
  hatch_path(cr, s, look.hatch_unit, look.hatch_width, true);
  cairo_new_path(cr);
  if (s.hatch == Hatch::bar) {  // line work: a thin outlined stroke
    line(cr, x + 0.1 * w, y + 0.75 * h, x + 0.9 * w, y + 0.25 * h, 0.16 * h + look.line);
    line(cr,
         x + 0.105 * w,
         y + 0.745 * h,
         x + 0.895 * w,
         y + 0.255 * h,
         0.16 * h - look.line,
         kWhite);
  }
  box(cr, x, y, w, h, look.line);
}

double draw_scale_bar(
    cairo_t* cr, double x, double y, double scale, double widest, double text, Units units) {
  const double unit = units == Units::inches ? 25.4 : 1;
  double length = 0.02;

  for (const double l :
       {0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 500.0, 1000.0})
    if (l * unit * scale <= widest) length = l;
  const double w = length * unit * scale, tick = 0.45 * text, pen = 0.1 * text;
  line(cr, x, y, x + w, y, 2 * pen);
  for (int i = 0; i <= 10; ++i) {
    const double t = x + w * i / 10, high = i % 5 == 0 ? tick : 0.5 * tick;
    line(cr, t, y - high, t, y, i % 5 == 0 ? 1.5 * pen : pen);
  }
  const std::string words =
      units == Units::inches ? fmt::format("{:g} in", length) : fmt::format("{:g} mm", length);
  draw_text(cr, x + w + 0.5 * text, y, words, {text, true, Align::left, kBlack, 0});
  return w;
}

}  // namespace rebite::sheets

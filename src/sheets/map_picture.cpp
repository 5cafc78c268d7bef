// map.png and map.svg: one drawing. The unit is 1/390 of the width, so that at the width of a phone
// (390 px) one unit is one pixel there: letters of 11 units and more stay readable.
#include <algorithm>

#include "sheets/region_map.h"
#include "sheets/sheets.h"
#include "sheets/wording.h"

namespace rebite::sheets {
namespace {

constexpr double phone_width = 390, edge = 10, px_per_unit = 4;
constexpr MapLook look{0.9, 2.6, 5.2, 0.7, true};

struct Layout {
  double page_width = phone_width;
  PlateFrame frame;
  std::vector<LegendRow> rows;
  std::vector<std::string> title;
  double rows_at = 0, height = 0;
};

constexpr double row_height = 35, title_size = 15;

Layout layout(const SheetContent& c) {
  Layout l;
  // Past a hundred numbers nobody reads them without zooming in: the picture grows instead.
  if (c.plan.regions.size() > 100) l.page_width *= 2;
  const double page_width = l.page_width;
  l.rows = legend(c);
  measure([&](cairo_t* cr) {
    l.title = wrapped(cr, c.title, page_width - 2 * edge, title_size, true);
  });
  if (l.title.size() > 2) l.title.resize(2);
  const double scale =
      std::min((page_width - 2 * edge) / c.plate.width, 1.5 * page_width / c.plate.height);
  const double top = edge + 20.0 * static_cast<double>(l.title.size()) + 22;
  l.frame = {c.plate, (page_width - c.plate.width * scale) / 2, top, scale, false};
  l.rows_at = top + l.frame.height() + 38;
  l.height = l.rows_at + row_height * static_cast<double>(l.rows.size()) + 22 + edge;
  return l;
}

PlateDrawing drawing_for(const SheetContent& c, const Layout& l) {
  LabelOptions o;
  const double k = l.frame.scale;
  o.size_mm = 13 / k;
  o.smallest_mm = 8 / k;
  o.leader_mm = 10 / k;
  o.pad_mm = 1.2 / k;
  return plate_drawing(c, o, {2.0, std::min(0.05, 0.2 / k)});
}

void draw_map(cairo_t* cr, const SheetContent& c, const Layout& l, const PlateDrawing& d) {
  const double page_width = l.page_width;
  set_ink(cr, kWhite);
  cairo_paint(cr);
  double y = edge + title_size * 0.8;
  for (const auto& words : l.title) {
    draw_text(cr, edge, y, words, {title_size, true, Align::left, kBlack, 0});
    y += 20;
  }
  draw_text(
      cr,
      edge,
      y,
      shortened(cr,
                std::string("PRINT VIEW: as the proof shows it · ") + size_text(c.plate, c.units),
                page_width - 2 * edge,
                12),
      {12, false, Align::left, kBlack, 0});
  draw_region_map(cr, l.frame, c, d, look);
  const double bar = l.frame.y + l.frame.height() + 18;
  draw_scale_bar(cr, l.frame.x, bar, l.frame.scale, 150, 12, c.units);
  draw_text(cr, page_width - edge, bar, kPrintView, {12, true, Align::right, kBlack, 0});
  y = l.rows_at;
  for (const auto& row : l.rows) {
    draw_swatch(cr, row.style, edge, y, 46, row_height - 8, look);
    const double text = edge + 56, room = page_width - edge - text;
    draw_text(cr,
              text,
              y + 11,
              shortened(cr, row.head, room, 13, true),
              {13, true, Align::left, kBlack, 0});
    draw_text(cr,
              text,
              y + 25.5,
              shortened(cr, row.detail, room, 11.5),
              {11.5, false, Align::left, kBlack, 0});
    y += row_height;
  }
  std::string foot = c.plan.batch.empty() ? "no wedge: no minutes" : "batch " + c.plan.batch;
  foot += " · " + ground_text(c.plan.ground);
  if (!c.made_on.empty()) foot += " · " + date_of(c.made_on);
  if (d.places.size() < c.plan.regions.size()) foot = "Some numbers had no room. " + foot;
  draw_text(cr,
            edge,
            y + 12,
            shortened(cr, foot, page_width - 2 * edge, 11),
            {11, false, Align::left, kBlack, 0});
}

}  // namespace

std::string map_png(const SheetContent& c) {
  const Layout l = layout(c);
  const PlateDrawing d = drawing_for(c, l);
  // The file's own resolution makes the plate come out at its true size.
  return canvas_png(
      l.page_width, l.height, px_per_unit, px_per_unit * l.frame.scale, [&](cairo_t* cr) {
        draw_map(cr, c, l, d);
      });
}

std::string map_svg(const SheetContent& c) {
  const Layout l = layout(c);
  const PlateDrawing d = drawing_for(c, l);
  return canvas_svg(
      l.page_width, l.height, 1 / l.frame.scale, [&](cairo_t* cr) { draw_map(cr, c, l, d); });
}

}  // namespace rebite::sheets

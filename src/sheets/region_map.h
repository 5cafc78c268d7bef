// The plate's regions drawn on a canvas, in either view.
#pragma once

#include <vector>

#include "sheets/canvas.h"
#include "sheets/label_places.h"
#include "sheets/outlines.h"
#include "sheets/sheet_content.h"

namespace rebite::sheets {

// Where and how large the plate lies on the canvas.
struct PlateFrame {
  SizeMm plate;
  double x = 0, y = 0;      // canvas place of the view's top-left corner
  double scale = 1;         // canvas units per mm
  bool plate_view = false;  // false: print view

  cv::Point2d place(PlateMm p) const;
  double width() const { return plate.width * scale; }
  double height() const { return plate.height * scale; }
};

// What does not change from page to page.
struct PlateDrawing {
  std::vector<Outline> outlines;
  std::vector<LabelPlace> places;
};
// The numbers of all regions.
std::vector<LabelPlace> number_places(const SheetContent& content, const LabelOptions& labels);
PlateDrawing plate_drawing(const SheetContent& content,
                           const LabelOptions& labels,
                           const OutlineOptions& outline = {});

// Line widths and hatch in canvas units.
struct MapLook {
  double line = 0.35, casing = 1.05;
  double hatch_unit = 2, hatch_width = 0.3;
  bool artwork = true;  // the proof under the regions, faded
  bool fills = true;    // false: black and white, hatches and numbers only
};

void trace(cairo_t* cr, const PlateFrame& frame, const Outline& outline);
// The proof faded to light greys, so that lines, hatches and numbers stay readable on it.
void draw_artwork(cairo_t* cr, const PlateFrame& frame, const SheetContent& content);
// A number in a white tag, with its leader where it stands outside.
void draw_tags(cairo_t* cr, const PlateFrame& frame, const std::vector<LabelPlace>& places);
// Artwork, fills, hatches, outlines, numbers, plate edge.
void draw_region_map(cairo_t* cr,
                     const PlateFrame& frame,
                     const SheetContent& content,
                     const PlateDrawing& drawing,
                     const MapLook& look);

// The rows of the legend, the same on the map and on paper.
struct LegendRow {
  Style style;
  std::string head;    // "Stage 1 · dip 0:20 · total 0:20"
  std::string detail;  // "3 regions · 12.3 cm² · 3, 13, 14"
};
std::vector<LegendRow> legend(const SheetContent& content);
void draw_swatch(
    cairo_t* cr, const Style& style, double x, double y, double w, double h, const MapLook& look);
// A bar of a round length, at most `widest` canvas units long, with ends, middle and its length in
// words. (x, y) is its left end. Returns its length in canvas units.
double draw_scale_bar(
    cairo_t* cr, double x, double y, double scale, double widest, double text, Units units);

}  // namespace rebite::sheets

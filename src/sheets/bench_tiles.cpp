// A large plate in tiles: windows, joining marks, numbers of their own.
#include <fmt/format.h>

#include <algorithm>
#include <cmath>

#include "sheets/bench_parts.h"

namespace rebite::sheets {
namespace {

void cross(cairo_t* cr, double x, double y) {
  line(cr, x - 4, y, x + 4, y, 0.2);
  line(cr, x, y - 4, x, y + 4, 0.2);
}

}  // namespace

TileContent tile_content(const SheetContent& c, const Tile& t, const LabelOptions& options) {
  const double k = c.map.grid.px_per_mm;
  // Plate view to print view: the window's right end is the left one.
  const double left = print_view({t.window.x + t.window.width, 0}, c.plate).x;
  const cv::Rect all(0, 0, c.map.labels.cols, c.map.labels.rows);
  const cv::Rect part = cv::Rect(cvFloor(left * k),
                                 cvFloor(t.window.y * k),
                                 cvCeil(t.window.width * k),
                                 cvCeil(t.window.height * k)) &
                        all;
  TileContent out;
  if (part.empty()) return out;
  const cv::Mat1w labels = c.map.labels(part);
  std::vector<char> there(65536, 0);
  for (int y = 0; y < labels.rows; ++y)
    for (int x = 0; x < labels.cols; ++x) there[labels(y, x)] = 1;
  for (int id = 0; id < 65536; ++id)
    if (there[static_cast<std::size_t>(id)]) out.ids.push_back(id);
  out.places = label_places(labels, k, {part.width / k, part.height / k}, out.ids, options);
  for (auto& l : out.places) {
    for (PlateMm* p : {&l.at, &l.anchor}) *p = {p->x + part.x / k, p->y + part.y / k};
  }
  return out;
}

std::vector<Tile> tiles_for(SizeMm plate, double width, double height) {
  const double whole_x = plate.width + 2 * kTileBorder, whole_y = plate.height + 2 * kTileBorder;
  const auto count = [](double whole, double window) {
    return std::max(1,
                    static_cast<int>(std::ceil((whole - kTileOverlap) / (window - kTileOverlap))));
  };
  const int columns = count(whole_x, width), rows = count(whole_y, height);
  // All tiles alike, so that none is a narrow strip.
  const double w = (whole_x + kTileOverlap * (columns - 1)) / columns;
  const double h = (whole_y + kTileOverlap * (rows - 1)) / rows;
  std::vector<Tile> out;
  for (int r = 0; r < rows; ++r) {
    for (int k = 0; k < columns; ++k) {
      out.push_back(
          {fmt::format("{}{}", static_cast<char>('A' + k % 26), r + 1),
           k,
           r,
           {k * (w - kTileOverlap) - kTileBorder, r * (h - kTileOverlap) - kTileBorder, w, h}});
    }
  }
  return out;
}

void draw_tile(cairo_t* cr,
               const Tile& t,
               const std::vector<Tile>& all,
               double x,
               double y,
               const PlateFrame& whole,
               const PlateDrawing& drawing,
               const PaintPlate& paint) {
  PlateFrame f = whole;
  f.x = x - t.window.x;
  f.y = y - t.window.y;
  cairo_save(cr);
  cairo_rectangle(cr, x, y, t.window.width, t.window.height);
  cairo_clip(cr);
  paint(cr, f, drawing);
  cairo_restore(cr);
  int columns = 1, rows = 1;
  for (const auto& other : all) {
    columns = std::max(columns, other.column + 1);
    rows = std::max(rows, other.row + 1);
  }
  const double half = kTileOverlap / 2, w = t.window.width, h = t.window.height;
  const double left = x + (t.column > 0 ? half : 0);
  const double right = x + w - (t.column + 1 < columns ? half : 0);
  const double top = y + (t.row > 0 ? half : 0), bottom = y + h - (t.row + 1 < rows ? half : 0);
  // Cut or fold on the dashed line; crosses fall on the neighbour's crosses.
  const double dashes[] = {2, 2};
  cairo_set_dash(cr, dashes, 2, 0);
  if (t.column > 0) line(cr, left, y, left, y + h, 0.15);
  if (t.column + 1 < columns) line(cr, right, y, right, y + h, 0.15);
  if (t.row > 0) line(cr, x, top, x + w, top, 0.15);
  if (t.row + 1 < rows) line(cr, x, bottom, x + w, bottom, 0.15);
  cairo_set_dash(cr, nullptr, 0, 0);
  for (const double cx : {left, right})
    for (const double cy : {top, bottom}) cross(cr, cx, cy);
  for (const auto& other : all) {
    const int dc = other.column - t.column, dr = other.row - t.row;
    if (std::abs(dc) + std::abs(dr) != 1) continue;
    const double at_x = dc == 0 ? x + w / 2 : dc > 0 ? right - 1 : left + 1;
    const double at_y = dr == 0 ? y + h / 2 : dr > 0 ? bottom - 1 : top + 4;
    const Align align = dc == 0 ? Align::centre : dc > 0 ? Align::right : Align::left;
    draw_text(cr, at_x, at_y, "joins " + other.name, {3, true, align, kBlack, 0.8});
  }
}

void draw_tile_key(cairo_t* cr, const PlateFrame& f, const std::vector<Tile>& all) {
  const double half = kTileOverlap / 2;
  for (const auto& t : all) {
    const double x = f.x + (t.window.x + (t.column > 0 ? half : 0)) * f.scale;
    const double y = f.y + (t.window.y + (t.row > 0 ? half : 0)) * f.scale;
    if (t.column > 0) line(cr, x, f.y - 2, x, f.y + f.height() + 2, 0.8, kWhite);
    if (t.column > 0) line(cr, x, f.y - 2, x, f.y + f.height() + 2, 0.3);
    if (t.row > 0) line(cr, f.x - 2, y, f.x + f.width() + 2, y, 0.8, kWhite);
    if (t.row > 0) line(cr, f.x - 2, y, f.x + f.width() + 2, y, 0.3);
  }
  for (const auto& t : all) {
    const double x = f.x + (std::max(t.window.x, 0.0) + 3) * f.scale + 2;
    const double y = f.y + (std::max(t.window.y, 0.0) + 3) * f.scale + 6;
    draw_text(cr, x, y, t.name, {5, true, Align::left, kBlack, 1});
  }
}

}  // namespace rebite::sheets

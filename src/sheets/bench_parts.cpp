#include "sheets/bench_parts.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>
#include <set>

#include "sheets/wording.h"

namespace rebite::sheets {
namespace {

struct BlockLook {
  double size = 4, lead = 5, before = 0, indent = 0;
  bool bold = false;
};

BlockLook look_of(TextBlock::Kind kind, double size) {
  switch (kind) {
    case TextBlock::Kind::heading:
      return {1.2 * size, 1.5 * size, 1.1 * size, 0, true};
    case TextBlock::Kind::tick:
      return {size, 1.3 * size, 0.55 * size, 1.8 * size, false};
    case TextBlock::Kind::warning:
      return {size, 1.3 * size, 0.6 * size, 1.8 * size, true};
    case TextBlock::Kind::text:
      break;
  }
  return {size, 1.3 * size, 0.4 * size, 0, false};
}

void warning_sign(cairo_t* cr, double x, double base, double size) {
  cairo_move_to(cr, x, base + 0.12 * size);
  cairo_line_to(cr, x + 1.2 * size, base + 0.12 * size);
  cairo_line_to(cr, x + 0.6 * size, base - 0.95 * size);
  cairo_close_path(cr);
  cairo_set_line_join(cr, CAIRO_LINE_JOIN_ROUND);
  set_ink(cr, kBlack);
  cairo_set_line_width(cr, 0.12 * size);
  cairo_stroke(cr);
  draw_text(cr, x + 0.6 * size, base, "!", {0.8 * size, true, Align::centre, kBlack, 0});
}

void cross(cairo_t* cr, double x, double y) {
  line(cr, x - 4, y, x + 4, y, 0.2);
  line(cr, x, y - 4, x, y + 4, 0.2);
}

}  // namespace

void draw_plate_edge(cairo_t* cr, const PlateFrame& f, bool words) {
  box(cr, f.x, f.y, f.width(), f.height(), 0.3);
  // The corner that is top left in the print; in plate view it lies top right.
  const auto corner = f.place({0, 0});
  const double out = f.plate_view ? 1 : -1;
  cairo_move_to(cr, corner.x + 0.8 * out, corner.y - 0.8);
  cairo_line_to(cr, corner.x + 4.5 * out, corner.y - 0.8);
  cairo_line_to(cr, corner.x + 0.8 * out, corner.y - 4.5);
  cairo_close_path(cr);
  set_ink(cr, kBlack);
  cairo_fill(cr);
  if (!words) return;
  const std::string view = f.plate_view ? kPlateView : kPrintView;
  const std::string side = f.plate_view ? "right" : "left";
  const double size = 3.2;
  std::string words_over = "↑ top edge · " + view + ": black corner top " + side;
  // On a narrow plate the words end (or begin) beside the corner mark.
  const bool narrow = f.width() < text_size(cr, words_over, size, true).width + 6;
  const double at = !narrow        ? f.x + f.width() / 2
                    : f.plate_view ? f.x + f.width() - 0.5
                                   : f.x + 0.5;
  // Where even that would leave the paper or run into the words beside it, the short form.
  const double wide = text_size(cr, words_over, size, true).width;
  if (narrow && (!f.plate_view || at - wide < 3)) words_over = "↑ top edge";
  const Align align = !narrow ? Align::centre : f.plate_view ? Align::right : Align::left;
  draw_text(cr, at, f.y - 1.4, words_over, {size, true, align, kBlack, 0});
}

void draw_check_rule(cairo_t* cr, double x, double y) {
  line(cr, x, y, x + 100, y, 0.3);
  for (int i = 0; i <= 10; ++i) {
    const double high = i % 10 == 0 ? 4 : i % 5 == 0 ? 2.5 : 1.5;
    line(cr, x + 10 * i, y - high, x + 10 * i, y, 0.2);
  }
  draw_text(cr, x + 50, y - 2.9, "100 mm · 3.94 in", {3, true, Align::centre, kBlack, 1});
  draw_text(cr,
            x,
            y + 3.6,
            "Measure it. Not 100 mm? Print again at actual size (100 %).",
            {2.9, false, Align::left, kBlack, 0});
}

void draw_check_rule_upright(cairo_t* cr, double x, double y) {
  line(cr, x, y, x, y + 100, 0.3);
  for (int i = 0; i <= 10; ++i) {
    const double wide = i % 10 == 0 ? 4 : i % 5 == 0 ? 2.5 : 1.5;
    line(cr, x - wide, y + 10 * i, x, y + 10 * i, 0.2);
  }
  cairo_save(cr);
  cairo_translate(cr, x - 2.9, y + 50);
  cairo_rotate(cr, -1.5707963267948966);
  draw_text(cr, 0, 0, "100 mm · 3.94 in", {3, true, Align::centre, kBlack, 1});
  cairo_restore(cr);
}

void draw_stage_key(cairo_t* cr, double x, double y, double width, bool stacked) {
  const char* words[] = {"stop out now", "already stopped out", "stays open: bites"};
  const double step = stacked ? 0 : width / 3;
  const double size = std::min(4.0, (stacked ? width : step) / 13);
  for (int i = 0; i < 3; ++i) {
    const double left = x + i * step;
    if (stacked && i > 0) y += 8;
    cairo_rectangle(cr, left, y - 4.5, 9, 6);
    if (i == 0) {
      set_ink(cr, kBlack);
      cairo_fill_preserve(cr);
    } else if (i == 1) {
      set_ink(cr, {0.9, 0.9, 0.9, 1});
      cairo_fill_preserve(cr);
      hatch_path(cr, {{255, 255, 255}, false, Hatch::rising, 1}, 2.2, 0.18, false);
    }
    cairo_new_path(cr);
    box(cr, left, y - 4.5, 9, 6, 0.3);
    draw_text(cr, left + 11, y, words[i], {size, i == 0, Align::left, kBlack, 0});
  }
}

double draw_fitting(cairo_t* cr,
                    double x,
                    double y,
                    double width,
                    const std::string& text,
                    double largest,
                    bool bold) {
  const double at_largest = text_size(cr, text, largest, bold).width;
  const double size = at_largest > width ? largest * width / at_largest : largest;
  draw_text(cr, x, y, text, {size, bold, Align::left, kBlack, 0});
  return size;
}

double TextFlow::draw_block(
    cairo_t* cr, const TextBlock& b, double x, double y, double width, bool really) const {
  const BlockLook l = look_of(b.kind, size_);
  const auto lines = wrapped(cr, b.text, width - l.indent, l.size, l.bold);
  if (really) {
    const double first = y + l.before + l.size;
    if (b.kind == TextBlock::Kind::tick)
      box(cr, x, first - 0.86 * l.size, 1.05 * l.size, 1.05 * l.size, 0.35);
    if (b.kind == TextBlock::Kind::warning) warning_sign(cr, x, first, l.size);
    double base = first;
    for (const auto& words : lines) {
      draw_text(cr, x + l.indent, base, words, {l.size, l.bold, Align::left, kBlack, 0});
      base += l.lead;
    }
  }
  return l.before + l.lead * static_cast<double>(lines.size());
}

void TextFlow::fill(cairo_t* cr, const Area& area, int columns) {
  constexpr double gutter = 7;
  const double width = (area.width - gutter * (columns - 1)) / columns;
  for (int k = 0; k < columns; ++k) {
    const double x = area.x + k * (width + gutter);
    double y = area.y;
    while (!done()) {
      const TextBlock& b = blocks_[next_];
      const double high = draw_block(cr, b, x, y, width, false);
      // A heading is not left alone at a column's foot.
      double needed = high;
      if (b.kind == TextBlock::Kind::heading && next_ + 1 < blocks_.size())
        needed += draw_block(cr, blocks_[next_ + 1], x, y, width, false);
      const bool first = y == area.y;
      if (y + needed > area.y + area.height && !(first && high > area.height)) break;
      draw_block(cr, b, x, y, width, true);
      y += high;
      ++next_;
    }
  }
}

bool TextFlow::fits(const Area& area, int columns) const {
  TextFlow trial = *this;
  measure([&](cairo_t* cr) { trial.fill(cr, area, columns); });
  return trial.done();
}

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
  std::set<int> ids(labels.begin(), labels.end());
  out.ids.assign(ids.begin(), ids.end());
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

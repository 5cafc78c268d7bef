#include "sheets/bench_parts.h"

#include <fmt/format.h>

#include <algorithm>
#include <cmath>

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

void draw_page_head(cairo_t* cr, PaperSize p, const std::string& view, const std::string& title) {
  constexpr double edge = kPaperMargin;
  const double room = p.width - 2 * edge;
  draw_text(cr,
            edge,
            edge + 4,
            shortened(cr, view, room * 0.62, 4, true),
            {4, true, Align::left, kBlack, 0});
  draw_text(cr,
            p.width - edge,
            edge + 4,
            shortened(cr, title, room * 0.36, 3.4),
            {3.4, false, Align::right, kBlack, 0});
}

void draw_page_foot(
    cairo_t* cr, PaperSize p, const SheetContent& c, const BenchMapOptions& o, int page) {
  constexpr double edge = kPaperMargin, size = 2.9;
  std::string words = size_text(c.plate, c.units) + " · " + ground_text(c.plan.ground);
  words += c.plan.batch.empty() ? " · no wedge" : " · batch " + c.plan.batch;
  if (!c.made_on.empty()) words += " · " + date_of(c.made_on);
  words += " · rebite " + c.version;
  if (o.printer_across != 1 || o.printer_down != 1)
    words += fmt::format(" · for a printer of 100 mm as {:.1f} × {:.1f}",
                         100 * o.printer_across,
                         100 * o.printer_down);
  draw_text(cr,
            edge,
            p.height - edge,
            shortened(cr, words, p.width - 2 * edge - 24, size),
            {size, false, Align::left, kBlack, 0});
  draw_text(cr,
            p.width - edge,
            p.height - edge,
            fmt::format("page {}", page),
            {size, false, Align::right, kBlack, 0});
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

double TextFlow::heading_needs(cairo_t* cr, double width, double column) const {
  double with_next = 0, section = 0;
  for (std::size_t i = next_; i < blocks_.size(); ++i) {
    if (i > next_ && blocks_[i].kind == TextBlock::Kind::heading) break;
    section += draw_block(cr, blocks_[i], 0, 0, width, false);
    if (i <= next_ + 1) with_next = section;
  }
  return section <= column ? section : with_next;
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
      const double needed =
          b.kind == TextBlock::Kind::heading ? heading_needs(cr, width, area.height) : high;
      const bool first = y == area.y;
      // What is larger than a whole column is begun all the same: it would never have a place.
      if (y + needed > area.y + area.height && !(first && needed > area.height)) break;
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

}  // namespace rebite::sheets

#include "sheets/plot_canvas.h"

#include <fmt/format.h>

#include <numbers>

#include "units/html_text.h"

namespace rebite::sheets {
namespace {

struct Pen {
  double width = 0.3;
  Ink ink = kBlack;
  double dash = 0, gap = 0;  // 0: a whole line
};

Pen pen_of(PlotMark mark) {
  switch (mark) {
    case PlotMark::grid:
      return {0.12, {0.8, 0.8, 0.8, 1}};
    case PlotMark::axis:
      return {0.25, kBlack};
    case PlotMark::curve:
      return {0.7, kBlack};
    case PlotMark::second:
      return {0.55, kBlack, 2.4, 1.2};
    case PlotMark::third:
      return {0.55, kBlack, 0.7, 0.9};
    case PlotMark::limit:
      return {0.35, kBlack, 2, 1.4};
    case PlotMark::dip:
      return {0.4, kBlack};
    case PlotMark::band:
      return {0, {0.72, 0.72, 0.72, 0.75}};
    case PlotMark::past:
      return {0, {0.94, 0.94, 0.94, 1}};
    case PlotMark::frame:
    case PlotMark::bar:
      break;
  }
  return {};
}

TextStyle style_of(PlotWords kind, Align align) {
  switch (kind) {
    case PlotWords::limit:
      return {3.5, true, align, kBlack, 0.8};
    case PlotWords::dip:
      return {3.6, true, align, kBlack, 0.9};
    case PlotWords::tick:
    case PlotWords::label:
      break;
  }
  return {3.6, false, align, kBlack, 0};
}

const char* name_of(PlotMark mark) {
  switch (mark) {
    case PlotMark::frame:
    case PlotMark::axis:
      return "axis";
    case PlotMark::grid:
      return "grid";
    case PlotMark::curve:
      return "curve";
    case PlotMark::second:
      return "second";
    case PlotMark::third:
      return "third";
    case PlotMark::band:
      return "band";
    case PlotMark::bar:
      return "step";
    case PlotMark::limit:
      return "limit";
    case PlotMark::past:
      return "past";
    case PlotMark::dip:
      return "dip";
  }
  return "";
}

const char* name_of(PlotWords kind) {
  switch (kind) {
    case PlotWords::tick:
      return "tick";
    case PlotWords::label:
      return "label";
    case PlotWords::limit:
      return "limitname";
    case PlotWords::dip:
      return "dipname";
  }
  return "";
}

std::string path_of(const PlotCanvas::Points& points) {
  std::string d;
  for (const auto& p : points)
    d += fmt::format("{}{:.1f} {:.1f}",
                     d.empty() ? "M" : "L",
                     p.x * SvgPlot::px_per_mm,
                     p.y * SvgPlot::px_per_mm);
  return d;
}

void trace(cairo_t* cr, const PlotCanvas::Points& points) {
  cairo_new_path(cr);
  for (const auto& p : points) cairo_line_to(cr, p.x, p.y);
}

}  // namespace

void CairoPlot::stroke(PlotMark mark, const Points& points) {
  const Pen pen = pen_of(mark);
  const double dashes[] = {pen.dash, pen.gap};
  if (pen.dash > 0) cairo_set_dash(cr_, dashes, 2, 0);
  trace(cr_, points);
  set_ink(cr_, pen.ink);
  cairo_set_line_width(cr_, pen.width);
  cairo_set_line_join(cr_, CAIRO_LINE_JOIN_ROUND);
  cairo_stroke(cr_);
  cairo_set_dash(cr_, nullptr, 0, 0);
}

void CairoPlot::fill(PlotMark mark, const Points& outline) {
  trace(cr_, outline);
  cairo_close_path(cr_);
  set_ink(cr_, pen_of(mark).ink);
  cairo_fill(cr_);
}

void CairoPlot::ring(cv::Point2d at) {
  cairo_new_path(cr_);
  cairo_arc(cr_, at.x, at.y, 0.9, 0, 2 * std::numbers::pi);
  set_ink(cr_, kWhite);
  cairo_fill_preserve(cr_);
  set_ink(cr_, kBlack);
  cairo_set_line_width(cr_, 0.4);
  cairo_stroke(cr_);
}

void CairoPlot::cross(cv::Point2d at) {
  line(cr_, at.x - 0.9, at.y - 0.9, at.x + 0.9, at.y + 0.9, 0.4);
  line(cr_, at.x - 0.9, at.y + 0.9, at.x + 0.9, at.y - 0.9, 0.4);
}

void CairoPlot::words(
    PlotWords kind, cv::Point2d at, Align align, const std::string& text, bool upwards) {
  cairo_save(cr_);
  cairo_translate(cr_, at.x, at.y);
  if (upwards) cairo_rotate(cr_, -std::numbers::pi / 2);
  draw_text(cr_, 0, 0, text, style_of(kind, align));
  cairo_restore(cr_);
}

double CairoPlot::width(PlotWords kind, const std::string& text) const {
  const TextStyle s = style_of(kind, Align::left);
  return text_size(cr_, text, s.size, s.bold).width;
}

void SvgPlot::stroke(PlotMark mark, const Points& points) {
  out_ += fmt::format("<path class=\"{}\" d=\"{}\"/>", name_of(mark), path_of(points));
}

void SvgPlot::fill(PlotMark mark, const Points& outline) {
  out_ += fmt::format("<path class=\"{}\" d=\"{}z\"/>", name_of(mark), path_of(outline));
}

void SvgPlot::ring(cv::Point2d at) {
  out_ += fmt::format("<circle class=\"step\" cx=\"{:.1f}\" cy=\"{:.1f}\" r=\"4\"/>",
                      at.x * px_per_mm,
                      at.y * px_per_mm);
}

void SvgPlot::cross(cv::Point2d at) {
  out_ += fmt::format("<path class=\"step\" d=\"M{:.1f} {:.1f}m-4 -4l8 8m0 -8l-8 8\"/>",
                      at.x * px_per_mm,
                      at.y * px_per_mm);
}

void SvgPlot::words(
    PlotWords kind, cv::Point2d at, Align align, const std::string& text, bool upwards) {
  const double x = at.x * px_per_mm, y = at.y * px_per_mm;
  const char* anchor = align == Align::left ? "start" : align == Align::right ? "end" : "middle";
  out_ += fmt::format("<text class=\"{}\" x=\"{:.1f}\" y=\"{:.1f}\" text-anchor=\"{}\"{}>{}</text>",
                      name_of(kind),
                      x,
                      y,
                      anchor,
                      upwards ? fmt::format(" transform=\"rotate(-90 {:.1f} {:.1f})\"", x, y) : "",
                      html_text(text));
}

double SvgPlot::width(PlotWords kind, const std::string& text) const {
  const TextStyle s = style_of(kind, Align::left);
  double width = 0;
  measure([&](cairo_t* cr) { width = text_size(cr, text, s.size, s.bold).width; });
  return width;
}

}  // namespace rebite::sheets

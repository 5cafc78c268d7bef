// Cairo for the sheets: one drawing function draws on a picture, an SVG or a PDF page. The letters
// come from DejaVu, embedded in the program, so that no layout depends on the machine.
#pragma once

#include <cairo.h>

#include <functional>
#include <memory>
#include <opencv2/core.hpp>
#include <string>
#include <string_view>
#include <vector>

#include "sheets/palette.h"

namespace rebite::sheets {

struct Ink {
  double r = 0, g = 0, b = 0, a = 1;
};
inline constexpr Ink kBlack{};
inline constexpr Ink kWhite{1, 1, 1, 1};
inline Ink ink(Rgb c, double a = 1) { return {c.r / 255.0, c.g / 255.0, c.b / 255.0, a}; }

enum class Align { left, centre, right };

struct TextStyle {
  double size = 4;  // of the letters' em, in the canvas's unit
  bool bold = false;
  Align align = Align::left;
  Ink colour = kBlack;
  double halo = 0;  // width of a white casing round the letters; 0 = none
};

struct TextSize {
  double width = 0, height = 0;  // advance width; height of a capital
};

// Throws std::bad_alloc where Cairo had too little memory, std::runtime_error where it failed else;
// `errand` begins the sentence.
void check_drawn(cairo_status_t status, const char* errand = "drawing");
// Cairo's stream call-back; `closure` is the std::string that takes the bytes. Throws nothing: an
// exception cannot pass through Cairo.
cairo_status_t append_drawn(void* closure, const unsigned char* data, unsigned int length) noexcept;
// Everything drawn is in the canvas's unit (mm on paper, map units on the map).
void set_ink(cairo_t* cr, const Ink& colour);
TextSize text_size(cairo_t* cr, const std::string& text, double size, bool bold = false);
// x is the left end, middle or right end after `align`, y the base line.
void draw_text(cairo_t* cr, double x, double y, const std::string& text, const TextStyle& style);
// Breaks at spaces; a single word too wide is cut with an ellipsis.
std::vector<std::string> wrapped(
    cairo_t* cr, const std::string& text, double width, double size, bool bold = false);
// Cut with an ellipsis so that it is no wider.
std::string shortened(
    cairo_t* cr, const std::string& text, double width, double size, bool bold = false);
// A grey picture into a rectangle; in SVG and PDF it is embedded as JPEG.
void draw_picture(cairo_t* cr, const cv::Mat1b& grey, double x, double y, double w, double h);
// Fills the current path's inside with a hatch and keeps the path. `unit` is the usual distance of
// two lines; `casing` draws a white line under each black one, for use over fills and artwork.
void hatch_path(cairo_t* cr, const Style& style, double unit, double width, bool casing);
void line(cairo_t* cr,
          double x0,
          double y0,
          double x1,
          double y1,
          double width,
          const Ink& colour = kBlack);
void box(
    cairo_t* cr, double x, double y, double w, double h, double width, const Ink& colour = kBlack);
void round_box_path(cairo_t* cr, double x, double y, double w, double h, double radius);

using Draw = std::function<void(cairo_t*)>;
// px_per_mm is written into the file where > 0.
std::string canvas_png(
    double width, double height, double px_per_unit, double px_per_mm, const Draw& draw);
// Page size in mm and in units.
std::string canvas_svg(double width, double height, double mm_per_unit, const Draw& draw);
// A canvas without output, for measuring text.
void measure(const Draw& draw);

// Whether each object of Cairo's PDF stands where its cross-reference section says (ISO 32000-1:2008,
// 7.5.4). Cairo does not tell when its last pieces found no memory: the file then stops before its
// end, or lacks objects (of a font: the letters).
bool pdf_is_whole(std::string_view pdf);

// A PDF in memory, page by page, unit mm. The same calls give the same bytes.
class PdfPages {
 public:
  // `date`: ISO date and time of making for the file's own note; empty: a fixed one.
  // `printer_*`: what the printer makes of 1 mm; the drawing is scaled against it about the middle
  // of the page.
  PdfPages(const std::string& title,
           const std::string& date,
           double printer_across = 1,
           double printer_down = 1);
  ~PdfPages();
  PdfPages(const PdfPages&) = delete;
  PdfPages& operator=(const PdfPages&) = delete;

  void page(double width_mm, double height_mm, const Draw& draw);
  // Ends the file: scaling in the print dialogue is switched off (PrintScaling None).
  std::string bytes();

 private:
  struct Parts;
  std::unique_ptr<Parts> parts_;
};

}  // namespace rebite::sheets

#include "sheets/canvas.h"

#include <cairo-svg.h>

#include <algorithm>
#include <cmath>
#include <map>
#include <numbers>
#include <new>
#include <stdexcept>
#include <string_view>

#include "scan/write_scan.h"
#include "sheets/fonts.h"

namespace rebite::sheets {
namespace {

struct SurfaceEnd {
  void operator()(cairo_surface_t* s) const { cairo_surface_destroy(s); }
};
using Surface = std::unique_ptr<cairo_surface_t, SurfaceEnd>;
struct ContextEnd {
  void operator()(cairo_t* c) const { cairo_destroy(c); }
};
using Context = std::unique_ptr<cairo_t, ContextEnd>;

void use_font(cairo_t* cr, double size, bool bold) {
  cairo_set_font_face(cr, font(bold));
  cairo_set_font_size(cr, size);
  cairo_font_options_t* options = cairo_font_options_create();
  cairo_font_options_set_hint_style(options, CAIRO_HINT_STYLE_NONE);
  cairo_font_options_set_hint_metrics(options, CAIRO_HINT_METRICS_OFF);
  cairo_font_options_set_antialias(options, CAIRO_ANTIALIAS_GRAY);
  cairo_set_font_options(cr, options);
  cairo_font_options_destroy(options);
}

}  // namespace

void check_drawn(cairo_status_t status, const char* errand) {
  if (status == CAIRO_STATUS_SUCCESS) return;
  if (status == CAIRO_STATUS_NO_MEMORY) throw std::bad_alloc();
  throw std::runtime_error(std::string(errand) + ": " + cairo_status_to_string(status));
}

cairo_status_t append_drawn(void* closure, const unsigned char* data, unsigned int length) noexcept {
  try {
    static_cast<std::string*>(closure)->append(reinterpret_cast<const char*>(data), length);
    return CAIRO_STATUS_SUCCESS;
  } catch (...) {
    return CAIRO_STATUS_NO_MEMORY;
  }
}

void set_ink(cairo_t* cr, const Ink& c) { cairo_set_source_rgba(cr, c.r, c.g, c.b, c.a); }

TextSize text_size(cairo_t* cr, const std::string& text, double size, bool bold) {
  use_font(cr, size, bold);
  cairo_text_extents_t e;
  cairo_text_extents(cr, text.c_str(), &e);
  return {e.x_advance, 0.729 * size};  // DejaVu's capitals are 0.729 em high
}

void draw_text(cairo_t* cr, double x, double y, const std::string& text, const TextStyle& s) {
  if (text.empty()) return;
  const double width = text_size(cr, text, s.size, s.bold).width;
  if (s.align == Align::centre) x -= width / 2;
  if (s.align == Align::right) x -= width;
  if (s.halo > 0) {
    cairo_move_to(cr, x, y);
    cairo_text_path(cr, text.c_str());
    cairo_set_line_width(cr, 2 * s.halo);
    cairo_set_line_join(cr, CAIRO_LINE_JOIN_ROUND);
    set_ink(cr, kWhite);
    cairo_stroke(cr);
  }
  cairo_move_to(cr, x, y);
  set_ink(cr, s.colour);
  cairo_show_text(cr, text.c_str());
  cairo_new_path(cr);
}

std::string shortened(cairo_t* cr, const std::string& text, double width, double size, bool bold) {
  if (text_size(cr, text, size, bold).width <= width) return text;
  std::string cut = text;
  while (!cut.empty()) {
    // Whole characters only: bytes 10xxxxxx continue one.
    do {
      cut.pop_back();
    } while (!cut.empty() && (static_cast<unsigned char>(cut.back()) & 0x80U) != 0 &&
             (static_cast<unsigned char>(text[cut.size()]) & 0xC0U) == 0x80U);
    if (text_size(cr, cut + "…", size, bold).width <= width) break;
  }
  return cut + "…";
}

std::vector<std::string> wrapped(
    cairo_t* cr, const std::string& text, double width, double size, bool bold) {
  std::vector<std::string> lines;
  std::string now;
  for (std::size_t at = 0; at < text.size();) {
    const std::size_t space = std::min(text.find(' ', at), text.size());
    std::string word = text.substr(at, space - at);
    at = space + 1;
    if (word.empty()) continue;
    std::string longer = now;
    if (!longer.empty()) longer += ' ';
    longer += word;
    if (text_size(cr, longer, size, bold).width <= width) {
      now = longer;
      continue;
    }
    if (!now.empty()) lines.push_back(now);
    now = shortened(cr, word, width, size, bold);
  }
  if (!now.empty()) lines.push_back(now);
  return lines;
}

void draw_picture(cairo_t* cr, const cv::Mat1b& grey, double x, double y, double w, double h) {
  if (grey.empty()) return;
  Surface picture(cairo_image_surface_create(CAIRO_FORMAT_RGB24, grey.cols, grey.rows));
  check_drawn(cairo_surface_status(picture.get()));
  unsigned char* data = cairo_image_surface_get_data(picture.get());
  const int stride = cairo_image_surface_get_stride(picture.get());
  for (int row = 0; row < grey.rows; ++row) {
    auto* out = reinterpret_cast<std::uint32_t*>(data + static_cast<std::ptrdiff_t>(row) * stride);
    for (int col = 0; col < grey.cols; ++col) out[col] = 0x010101U * grey(row, col);
  }
  cairo_surface_mark_dirty(picture.get());
  if (cairo_surface_get_type(cairo_get_target(cr)) != CAIRO_SURFACE_TYPE_IMAGE) {
    auto* jpeg = new std::string(scan::jpeg_bytes(grey, 85));
    check_drawn(cairo_surface_set_mime_data(
        picture.get(),
        CAIRO_MIME_TYPE_JPEG,
        reinterpret_cast<const unsigned char*>(jpeg->data()),
        jpeg->size(),
        [](void* p) { delete static_cast<std::string*>(p); },
        jpeg));
  }
  cairo_save(cr);
  cairo_translate(cr, x, y);
  cairo_scale(cr, w / grey.cols, h / grey.rows);
  cairo_set_source_surface(cr, picture.get(), 0, 0);
  cairo_pattern_set_filter(cairo_get_source(cr), CAIRO_FILTER_GOOD);
  // In a PDF a padded picture is another picture, packed without loss once more.
  if (cairo_surface_get_type(cairo_get_target(cr)) != CAIRO_SURFACE_TYPE_PDF)
    cairo_pattern_set_extend(cairo_get_source(cr), CAIRO_EXTEND_PAD);
  cairo_rectangle(cr, 0, 0, grey.cols, grey.rows);
  cairo_fill(cr);
  cairo_restore(cr);
}

void line(
    cairo_t* cr, double x0, double y0, double x1, double y1, double width, const Ink& colour) {
  set_ink(cr, colour);
  cairo_set_line_width(cr, width);
  cairo_move_to(cr, x0, y0);
  cairo_line_to(cr, x1, y1);
  cairo_stroke(cr);
}

void box(cairo_t* cr, double x, double y, double w, double h, double width, const Ink& colour) {
  set_ink(cr, colour);
  cairo_set_line_width(cr, width);
  cairo_set_line_join(cr, CAIRO_LINE_JOIN_MITER);
  cairo_rectangle(cr, x, y, w, h);
  cairo_stroke(cr);
}

void round_box_path(cairo_t* cr, double x, double y, double w, double h, double radius) {
  const double pi = std::numbers::pi, r = std::min({radius, w / 2, h / 2});
  cairo_new_sub_path(cr);
  cairo_arc(cr, x + w - r, y + r, r, -pi / 2, 0);
  cairo_arc(cr, x + w - r, y + h - r, r, 0, pi / 2);
  cairo_arc(cr, x + r, y + h - r, r, pi / 2, pi);
  cairo_arc(cr, x + r, y + r, r, pi, 1.5 * pi);
  cairo_close_path(cr);
}

std::string canvas_png(
    double width, double height, double px_per_unit, double px_per_mm, const Draw& draw) {
  const int w = std::max(1, static_cast<int>(std::lround(width * px_per_unit)));
  const int h = std::max(1, static_cast<int>(std::lround(height * px_per_unit)));
  Surface surface(cairo_image_surface_create(CAIRO_FORMAT_RGB24, w, h));
  check_drawn(cairo_surface_status(surface.get()));
  Context cr(cairo_create(surface.get()));
  set_ink(cr.get(), kWhite);
  cairo_paint(cr.get());
  cairo_scale(cr.get(), px_per_unit, px_per_unit);
  draw(cr.get());
  check_drawn(cairo_status(cr.get()));
  cairo_surface_flush(surface.get());
  const unsigned char* data = cairo_image_surface_get_data(surface.get());
  const int stride = cairo_image_surface_get_stride(surface.get());
  cv::Mat3b rgb(h, w);
  for (int y = 0; y < h; ++y) {
    const auto* row =
        reinterpret_cast<const std::uint32_t*>(data + static_cast<std::ptrdiff_t>(y) * stride);
    for (int x = 0; x < w; ++x) {
      rgb(y, x) = {static_cast<uchar>(row[x] >> 16U & 255U),
                   static_cast<uchar>(row[x] >> 8U & 255U),
                   static_cast<uchar>(row[x] & 255U)};
    }
  }
  return scan::png_bytes(rgb, px_per_mm);
}

namespace {

// Cairo numbers surfaces and images through the life of the program: renumbered from 1 in order of
// appearance, so that the same drawing gives the same bytes.
std::string renumbered(const std::string& svg) {
  std::map<std::string, std::string> names;
  std::string out;
  for (std::size_t at = 0; at < svg.size();) {
    out += svg[at];
    if (svg[at++] != '"' && out.back() != '#') continue;
    for (const std::string_view word : {"image", "surface"}) {
      if (svg.compare(at, word.size(), word) != 0) continue;
      std::size_t end = at + word.size();
      while (end < svg.size() && svg[end] >= '0' && svg[end] <= '9') ++end;
      if (end == at + word.size()) continue;
      const std::string fresh = std::string(word) + std::to_string(names.size() + 1);
      out += names.try_emplace(svg.substr(at, end - at), fresh).first->second;
      at = end;
    }
  }
  return out;
}

}  // namespace

std::string canvas_svg(double width, double height, double mm_per_unit, const Draw& draw) {
  constexpr double pt_per_mm = 72 / 25.4;
  const double k = mm_per_unit * pt_per_mm;
  std::string out;
  {
    Surface surface(cairo_svg_surface_create_for_stream(append_drawn, &out, width * k, height * k));
    check_drawn(cairo_surface_status(surface.get()));
    Context cr(cairo_create(surface.get()));
    cairo_scale(cr.get(), k, k);
    draw(cr.get());
    check_drawn(cairo_status(cr.get()));
    cr.reset();
    cairo_surface_finish(surface.get());
    check_drawn(cairo_surface_status(surface.get()));
  }
  return renumbered(out);
}

void measure(const Draw& draw) {
  Surface surface(cairo_recording_surface_create(CAIRO_CONTENT_COLOR_ALPHA, nullptr));
  Context cr(cairo_create(surface.get()));
  draw(cr.get());
  check_drawn(cairo_status(cr.get()));
}

}  // namespace rebite::sheets

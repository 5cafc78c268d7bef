// A PDF through Cairo's stream call-back into memory (given a file name Cairo swallows small write
// errors), and the one thing that Cairo cannot say: print at actual size.
#include <cairo-pdf.h>
#include <fmt/format.h>

#include <new>
#include <stdexcept>

#include "sheets/canvas.h"

namespace rebite::sheets {
namespace {

constexpr double pt_per_mm = 72 / 25.4;

void check(cairo_status_t status) { check_drawn(status, "drawing a PDF"); }

// The text between two marks, from the last `before` on.
std::string between(const std::string& s, const std::string& before, const std::string& after) {
  const auto a = s.rfind(before);
  const auto b = a == std::string::npos ? a : s.find(after, a + before.size());
  if (b == std::string::npos) throw std::runtime_error("Cairo's PDF has no '" + before + "'");
  return s.substr(a + before.size(), b - a - before.size());
}

// Cairo does not tell when its last pieces found no memory: the file then stops before its end, or
// lacks objects (of a font: no letters) that its cross-reference section names. Throws std::bad_alloc
// there. An entry of that section has 20 bytes and gives an object's offset (ISO 32000-1:2008, 7.5.4).
void check_whole(const std::string& pdf) {
  if (pdf.find("startxref") == std::string::npos) throw std::bad_alloc();
  const std::size_t section = std::stoul(between(pdf, "startxref\n", "\n"));
  const std::size_t count = std::stoul(between(pdf, "/Size ", "\n"));
  const std::size_t entries = pdf.find('\n', section + std::string("xref\n").size()) + 1;
  for (std::size_t i = 1; i < count; ++i) {
    const std::size_t offset = std::stoul(pdf.substr(entries + 20 * i, 10));
    const std::string begin = fmt::format("{} 0 obj", i);
    if (offset > pdf.size() || pdf.compare(offset, begin.size(), begin) != 0) throw std::bad_alloc();
  }
}

// Adds /ViewerPreferences /PrintScaling /None to the catalog as an incremental update
// (ISO 32000-1:2008, 7.5.6 and 12.2): the catalog again with one more key, one more cross-reference
// section, one more trailer that points back to the first.
std::string without_scaling(std::string pdf) {
  const std::string trailer = between(pdf, "trailer", "startxref");
  const std::string root = between(trailer, "/Root ", " 0 R");
  const std::string size = between(trailer, "/Size ", "\n");
  const std::string info = trailer.find("/Info ") == std::string::npos
                               ? ""
                               : "/Info " + between(trailer, "/Info ", " 0 R") + " 0 R ";
  const std::string previous = between(pdf, "startxref\n", "\n");
  std::string catalog = between(pdf, "\n" + root + " 0 obj\n", "endobj");
  const auto end = catalog.rfind(">>");
  if (end == std::string::npos) throw std::runtime_error("Cairo's PDF has no catalog");
  catalog.insert(end, "   /ViewerPreferences << /PrintScaling /None >>\n");
  const std::size_t object_at = pdf.size();
  pdf += root + " 0 obj\n" + catalog + "endobj\n";
  const std::size_t xref_at = pdf.size();
  pdf += fmt::format("xref\n{} 1\n{:010} 00000 n \n", root, object_at);
  pdf += fmt::format("trailer\n<< /Size {} /Root {} 0 R {}/Prev {} >>\nstartxref\n{}\n%%EOF\n",
                     size,
                     root,
                     info,
                     previous,
                     xref_at);
  return pdf;
}

}  // namespace

struct PdfPages::Parts {
  std::string bytes;
  cairo_surface_t* surface = nullptr;
  double across = 1, down = 1;  // what the printer makes of 1 mm
};

PdfPages::PdfPages(const std::string& title, const std::string& date, double across, double down)
    : parts_(std::make_unique<Parts>()) {
  parts_->across = across;
  parts_->down = down;
  parts_->surface = cairo_pdf_surface_create_for_stream(append_drawn, &parts_->bytes, 595, 842);
  check(cairo_surface_status(parts_->surface));
  cairo_pdf_surface_restrict_to_version(parts_->surface, CAIRO_PDF_VERSION_1_4);
  cairo_pdf_surface_set_metadata(parts_->surface, CAIRO_PDF_METADATA_TITLE, title.c_str());
  cairo_pdf_surface_set_metadata(parts_->surface, CAIRO_PDF_METADATA_CREATOR, "Rebite");
  const std::string made = date.size() >= 10 ? date : "2000-01-01T00:00:00Z";
  cairo_pdf_surface_set_metadata(parts_->surface, CAIRO_PDF_METADATA_CREATE_DATE, made.c_str());
}

PdfPages::~PdfPages() { cairo_surface_destroy(parts_->surface); }

void PdfPages::page(double width_mm, double height_mm, const Draw& draw) {
  cairo_pdf_surface_set_size(parts_->surface, width_mm * pt_per_mm, height_mm * pt_per_mm);
  cairo_t* cr = cairo_create(parts_->surface);
  cairo_scale(cr, pt_per_mm, pt_per_mm);
  cairo_translate(cr, width_mm / 2, height_mm / 2);
  cairo_scale(cr, 1 / parts_->across, 1 / parts_->down);
  cairo_translate(cr, -width_mm / 2, -height_mm / 2);
  draw(cr);
  cairo_show_page(cr);
  const cairo_status_t status = cairo_status(cr);
  cairo_destroy(cr);
  check(status);
}

std::string PdfPages::bytes() {
  cairo_surface_finish(parts_->surface);
  check(cairo_surface_status(parts_->surface));
  check_whole(parts_->bytes);
  return without_scaling(parts_->bytes);
}

}  // namespace rebite::sheets

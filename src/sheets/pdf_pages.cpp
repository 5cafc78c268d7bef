// A PDF through Cairo's stream call-back into memory (given a file name Cairo swallows small write
// errors), and the one thing that Cairo cannot say: print at actual size.
#include <cairo-pdf.h>
#include <fmt/format.h>

#include <charconv>
#include <new>
#include <optional>
#include <stdexcept>
#include <string_view>

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

// The number that stands there; nothing where none does.
std::optional<std::size_t> number_at(std::string_view pdf, std::size_t at) {
  std::size_t number = 0;
  if (at >= pdf.size()) return std::nullopt;
  const auto read = std::from_chars(pdf.data() + at, pdf.data() + pdf.size(), number);
  return read.ec == std::errc() ? std::optional(number) : std::nullopt;
}

// The number behind the last `word`.
std::optional<std::size_t> number_behind(std::string_view pdf, std::string_view word) {
  const auto at = pdf.rfind(word);
  return at == std::string_view::npos ? std::nullopt : number_at(pdf, at + word.size());
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

bool pdf_is_whole(std::string_view pdf) {
  const auto section = number_behind(pdf, "startxref\n"), count = number_behind(pdf, "/Size ");
  if (!section || !count) return false;
  constexpr std::size_t entry_bytes = 20, header_lines = 2;  // "xref" and "0 COUNT"
  std::size_t entries = *section;
  for (std::size_t i = 0; i < header_lines; ++i) {
    entries = pdf.find('\n', entries);
    if (entries++ == std::string_view::npos) return false;
  }
  for (std::size_t i = 1; i < *count; ++i) {  // object 0 heads the list of free ones
    const auto offset = number_at(pdf, entries + entry_bytes * i);
    if (!offset || *offset > pdf.size() ||
        !pdf.substr(*offset).starts_with(fmt::format("{} 0 obj", i))) {
      return false;
    }
  }
  return true;
}

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
  if (!pdf_is_whole(parts_->bytes)) throw std::bad_alloc();
  return without_scaling(parts_->bytes);
}

}  // namespace rebite::sheets

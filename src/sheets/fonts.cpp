#include "sheets/fonts.h"

#include <cairo-ft.h>
#include <ft2build.h>
#include FT_FREETYPE_H

#include <new>
#include <stdexcept>
#include <string>

#include "embedded_fonts.h"
#include "sheets/canvas.h"

namespace rebite::sheets {
namespace {

void freetype(FT_Error error, const std::string& what) {
  if (error == FT_Err_Out_Of_Memory) throw std::bad_alloc();
  if (error != 0) throw std::runtime_error(what);
}

struct Faces {
  FT_Library library = nullptr;
  FT_Face face[2] = {};
  cairo_font_face_t* cairo[2] = {};

  Faces() {
    freetype(FT_Init_FreeType(&library), "FreeType does not start");
    int i = 0;
    for (const char* name : {"DejaVuSans.ttf", "DejaVuSans-Bold.ttf"}) load(name, i++);
  }

  void load(const std::string& name, int i) {
    for (const auto& [file, bytes] : fonts_files()) {
      if (file != name) continue;
      const auto* data = reinterpret_cast<const FT_Byte*>(bytes.data());
      freetype(
          FT_New_Memory_Face(library, data, static_cast<FT_Long>(bytes.size()), 0, &face[i]),
          "the embedded font " + name + " is damaged");
      cairo[i] = cairo_ft_font_face_create_for_ft_face(face[i], FT_LOAD_NO_HINTING);
      check_drawn(cairo_font_face_status(cairo[i]), "opening a font");
    }
    if (cairo[i] == nullptr) throw std::runtime_error("the embedded font " + name + " is damaged");
  }
};

}  // namespace

cairo_font_face_t* font(bool bold) {
  // Never freed: Cairo keeps fonts in a cache that outlives every surface.
  static const Faces* faces = new Faces;
  return faces->cairo[bold ? 1 : 0];
}

}  // namespace rebite::sheets

// DejaVu Sans from the program itself, for Cairo.
#pragma once

#include <cairo.h>

namespace rebite::sheets {

// Lives as long as the program. Throws std::runtime_error when FreeType cannot start.
cairo_font_face_t* font(bool bold);

}  // namespace rebite::sheets

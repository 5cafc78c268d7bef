// How a bench page with the plate at 1:1 is laid out on its paper. Unit mm.
#pragma once

#include "sheets/bench_parts.h"

namespace rebite::sheets {

inline constexpr double kFootRoom = 5;

// upright: words below the plate. beside: words beside it. wide: paper on its side, words below.
// tiled: the plate is larger than the paper; the page shows a sketch, tiles follow.
enum class Shape { upright, beside, wide, tiled };

struct Layout {
  Shape shape = Shape::upright;
  PaperSize paper;
  PlateFrame frame;  // the plate, 1:1 (tiled: a sketch)
  Area head, words;  // large lines; tick lines
  double rule_y = 0;
};

// What a page needs beside the plate: mm of height.
struct LayoutNeeds {
  double head = 11;           // of the large lines on an upright page
  double wide_head = 11;      // the same on paper on its side
  double words = 70;          // of the words below the plate, at least
  double sketch_words = 105;  // the same below the sketch of a tiled plate
};

PaperSize turned(PaperSize p);
// The first of the shapes in which the plate fits; else tiled.
Layout layout_for(PaperSize p, SizeMm plate, const LayoutNeeds& needs);

}  // namespace rebite::sheets

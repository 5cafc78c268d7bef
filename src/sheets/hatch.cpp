// Hatches as vector lines, anchored to the canvas so that neighbours of one stage run on.
#include <algorithm>
#include <cmath>
#include <numbers>
#include <vector>

#include "sheets/canvas.h"

namespace rebite::sheets {
namespace {

struct Extent {
  double x0 = 0, y0 = 0, x1 = 0, y1 = 0;
};

// Parallel lines through the extent: direction (c, s), distance `step`, as path segments.
void lines(cairo_t* cr, const Extent& e, double angle_deg, double step) {
  const double a = angle_deg * std::numbers::pi / 180;
  const double c = std::cos(a), s = -std::sin(a);  // y runs down
  double low = 1e300, high = -1e300, from = 1e300, to = -1e300;
  for (const double x : {e.x0, e.x1}) {
    for (const double y : {e.y0, e.y1}) {
      const double across = -s * x + c * y, along = c * x + s * y;
      low = std::min(low, across);
      high = std::max(high, across);
      from = std::min(from, along);
      to = std::max(to, along);
    }
  }
  for (double k = std::ceil(low / step); k * step <= high; ++k) {
    const double d = k * step;
    cairo_move_to(cr, c * from - s * d, s * from + c * d);
    cairo_line_to(cr, c * to - s * d, s * to + c * d);
  }
}

// Centres of a staggered pattern.
template <class At>
void staggered(const Extent& e, double step, At at) {
  const double rise = step * 0.866;
  for (double j = std::floor(e.y0 / rise); j * rise <= e.y1 + step; ++j) {
    const double shift = std::fmod(std::abs(j), 2.0) * step / 2;
    for (double i = std::floor((e.x0 - shift) / step); i * step + shift <= e.x1 + step; ++i)
      at(i * step + shift, j * rise);
  }
}

void stroke_cased(cairo_t* cr, double width, bool casing) {
  cairo_set_line_cap(cr, CAIRO_LINE_CAP_BUTT);
  if (casing) {
    set_ink(cr, {1, 1, 1, 0.75});
    cairo_set_line_width(cr, 2.6 * width);
    cairo_stroke_preserve(cr);
  }
  set_ink(cr, kBlack);
  cairo_set_line_width(cr, width);
  cairo_stroke(cr);
}

void hatch_lines(
    cairo_t* cr, const Extent& e, Hatch hatch, double step, double width, bool casing) {
  std::vector<double> angles;
  switch (hatch) {
    case Hatch::rising:
      angles = {45};
      break;
    case Hatch::falling:
      angles = {135};
      break;
    case Hatch::level:
      angles = {0};
      break;
    case Hatch::upright:
      angles = {90};
      break;
    case Hatch::crossed:
      angles = {45, 135};
      break;
    case Hatch::grid:
      angles = {0, 90};
      break;
    case Hatch::heavy:
      angles = {60};
      break;
    default:
      return;
  }
  for (const double a : angles) lines(cr, e, a, step);
  stroke_cased(cr, hatch == Hatch::heavy ? 2.2 * width : width, casing);
}

void hatch_marks(
    cairo_t* cr, const Extent& e, Hatch hatch, double step, double width, bool casing) {
  const double full = 2 * std::numbers::pi;
  if (hatch == Hatch::dots) {
    if (casing) {
      staggered(e, step, [&](double x, double y) {
        cairo_new_sub_path(cr);
        cairo_arc(cr, x, y, 0.26 * step + width, 0, full);
      });
      set_ink(cr, {1, 1, 1, 0.75});
      cairo_fill(cr);
    }
    staggered(e, step, [&](double x, double y) {
      cairo_new_sub_path(cr);
      cairo_arc(cr, x, y, 0.24 * step, 0, full);
    });
    set_ink(cr, kBlack);
    cairo_fill(cr);
  } else if (hatch == Hatch::rings) {
    staggered(e, step, [&](double x, double y) {
      cairo_new_sub_path(cr);
      cairo_arc(cr, x, y, 0.3 * step, 0, full);
    });
    stroke_cased(cr, 1.1 * width, casing);
  } else if (hatch == Hatch::dashes) {
    staggered(e, 1.6 * step, [&](double x, double y) {
      cairo_move_to(cr, x - 0.4 * step, y);
      cairo_line_to(cr, x + 0.4 * step, y);
    });
    stroke_cased(cr, width, casing);
  }
}

}  // namespace

void hatch_path(cairo_t* cr, const Style& style, double unit, double width, bool casing) {
  if (style.hatch == Hatch::none || style.hatch == Hatch::bar) return;
  cairo_path_t* path = cairo_copy_path(cr);
  Extent e;
  cairo_path_extents(cr, &e.x0, &e.y0, &e.x1, &e.y1);
  cairo_save(cr);
  cairo_clip(cr);
  const double step = unit * style.spacing;
  hatch_lines(cr, e, style.hatch, step, width, casing);
  hatch_marks(cr, e, style.hatch, step, width, casing);
  cairo_restore(cr);
  cairo_new_path(cr);
  cairo_append_path(cr, path);
  cairo_path_destroy(path);
}

}  // namespace rebite::sheets

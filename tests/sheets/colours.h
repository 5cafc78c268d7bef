// Colour arithmetic of the palette test, from published formulas.
#pragma once

#include <array>

namespace rebite::maker {

using Triple = std::array<double, 3>;

// sRGB (IEC 61966-2-1), 0..1, to linear and back.
Triple linear(const Triple& srgb);
// Linear sRGB to CIELAB, D65 (CIE 15:2004).
Triple lab(const Triple& linear_rgb);
// CIEDE2000 (Sharma, Wu, Dalal, Color Research and Application 30, 2005), kL = kC = kH = 1.
double ciede2000(const Triple& lab1, const Triple& lab2);
// WCAG 2.2 contrast ratio of two sRGB colours (relative luminance of IEC 61966-2-1).
double contrast(const Triple& srgb1, const Triple& srgb2);

enum class Sight { usual, protanopia, deuteranopia, tritanopia };
// Machado, Oliveira, Fernandes, IEEE TVCG 15(6), 2009, table for severity 1.0; on linear RGB,
// clamped to the gamut. The matrices are from memory; each row must sum to 1 (greys stay grey).
Triple machado(const Triple& linear_rgb, Sight sight);
// Vienot, Brettel, Mollon, Color Research and Application 24(4), 1999 (protanopia, deuteranopia),
// from memory, on linear RGB, clamped.
Triple vienot(const Triple& linear_rgb, Sight sight);

}  // namespace rebite::maker

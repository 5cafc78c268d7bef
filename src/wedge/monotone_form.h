// The curve where no formula fits: from step to step, never falling.
#pragma once

#include <vector>

#include "wedge/tone_curve.h"

namespace rebite::wedge {

// PCHIP through the isotonic means `rising` of the steps, at the times of `grid`. Its sd holds the
// steps' own, and between steps what the data leave open there: a monotone curve may run anywhere
// in the rectangle between two steps; the spread of a straight line against the cubic, and a share
// of the rectangle that is largest midway, stand for it (rule of our own, its coverage measured in
// tests/measure/wedge.cpp). Before the first step, where none is unbitten, half of its tone.
// Densities past that are 0 at 0 minutes at the least. `sd_dof` as in FitOptions.
ToneCurve::Table monotone_table(const std::vector<WedgeStep>& steps,
                                const std::vector<double>& rising,
                                const std::vector<double>& grid,
                                double sd_dof);

}  // namespace rebite::wedge

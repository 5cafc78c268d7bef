// The found wedge as a picture for people.
#pragma once

#include <vector>

#include "scan/density_image.h"
#include "sheets/plots.h"
#include "wedge/read_wedge.h"

namespace rebite::jobs {

// The part of the scan round the found steps, at most 1400 px wide, laid across.
sheets::WedgePicture wedge_picture(const scan::DensityImage& scan,
                                   const std::vector<wedge::FoundStep>& found);
// Writes each step's time and density into it; `steps` of the same first impression.
void name_steps(const std::vector<wedge::WedgeStep>& steps, sheets::WedgePicture& picture);

}  // namespace rebite::jobs

// The region map changed by hand: two regions joined, one cut, a place painted 'leave alone'.
//
// Nothing is measured again from the scans. A joined region has the area-weighted mean reflectance
// of its parts. What a cut or a painted place leaves of a region keeps its measured tone, moved by
// the difference between the piece and the whole on the smoothed maps. Standard errors: a part of
// the region cannot be surer than the whole; were all of its error grain, it would grow with the
// square root of the area lost. That is what is taken, twice the whole's at most.
#pragma once

#include <vector>

#include "tone/region_map.h"

namespace rebite::tone {

// Regions that share a border. The joined region has the smaller number and the larger one's kind.
// Refuses (data) regions that are not there or do not touch.
Result<void> join_regions(RegionMap& map, int a, int b);

// Cuts a region along a line drawn over it (print view, at least two points). The largest piece
// keeps the number, further ones go on after the highest; slivers under a quarter of brush_mm
// squared stay with their neighbour. A line that stops up to brush_mm short of the region's far side
// (or of the plate's edge) is drawn on. Refuses (data) a line that does not go right through.
Result<void> cut_region(RegionMap& map, int id, const std::vector<PlateMm>& line, double brush_mm);

// Everything within `radius_mm` of the line is held. A region of which nothing is left goes.
Result<void> leave_alone(RegionMap& map, const std::vector<PlateMm>& line, double radius_mm);

}  // namespace rebite::tone

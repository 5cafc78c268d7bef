// Pictures of the book's numbers, as SVG with its own style, so that each also stands alone in a
// file. Axes and canvas are the sheets'. Nothing is computed here.
#pragma once

#include <string>

#include "book/speed.h"

namespace rebite::jobs {

// Speed over the batch's life: from the wedge over each use to the next one. What each state showed
// with its 90 % interval, the learned line and its 90 % band.
std::string drift_svg(const book::SpeedHistory& history, const std::string& batch_name);
// Density predicted against density reached, every region of every use; left-aside ones hollow.
std::string reached_svg(const book::SpeedHistory& history, const std::string& batch_name);
// Tone of each region over the states: as it was, predicted, reached. Where there is no room for
// every region's number, those furthest from what was predicted have theirs.
std::string tone_history_svg(const book::Story& story);

}  // namespace rebite::jobs

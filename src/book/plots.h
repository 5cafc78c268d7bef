// Pictures of the book's numbers, as SVG. Nothing is computed here.
#pragma once

#include <string>

#include "book/speed.h"

namespace rebite::book {

// Speed over the batch's life: measured points with their intervals, the learned line, its band.
std::string drift_svg(const SpeedHistory& history, const std::string& batch_name);
// Density predicted against density reached, every region of every use; left-aside ones hollow.
std::string reached_svg(const SpeedHistory& history, const std::string& batch_name);
// Tone of each region over the states: as it was, predicted, reached.
std::string tone_history_svg(const Story& story);

}  // namespace rebite::book

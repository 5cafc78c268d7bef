// A frame with two axes on a plot. Unit mm of the picture.
#pragma once

#include <string>
#include <vector>

#include "sheets/plot_canvas.h"

namespace rebite::sheets {

struct Tick {
  double at = 0;
  std::string words;
};

struct Axis {
  double from = 0, to = 1;
  bool square_root = false;  // the scale of the axis; from must be 0 then
  std::vector<Tick> ticks;
  std::string words;             // what and in which unit
  double share(double v) const;  // 0..1 along the axis; what lies beyond stays at its end
};

struct Axes {
  double x = 0, y = 0, width = 1, height = 1;  // of the frame, top left
  Axis across, up;

  double px(double v) const { return x + across.share(v) * width; }
  double py(double v) const { return y + (1 - up.share(v)) * height; }

  // Frame, light grid, ticks, words.
  void draw(PlotCanvas& on) const;
  void curve(PlotCanvas& on, const std::vector<double>& xs, const std::vector<double>& ys) const;
  void band(PlotCanvas& on,
            const std::vector<double>& xs,
            const std::vector<double>& low,
            const std::vector<double>& high) const;
  // An upright or level line through the whole frame.
  void upright(PlotCanvas& on, PlotMark mark, double at) const;
  void level(PlotCanvas& on, PlotMark mark, double at) const;
  void point(PlotCanvas& on, double at, double value, double half_bar, bool crossed) const;
};

// Round steps that give at most `most` ticks; decimals as needed.
std::vector<Tick> round_ticks(double from, double to, int most);
// 0, 0:15, 0:30, 1:00 ... as far as `to`, thinned so that no two lie closer than `least` (share of
// a square-root axis).
std::vector<Tick> time_ticks(double to_minutes, double least);

}  // namespace rebite::sheets

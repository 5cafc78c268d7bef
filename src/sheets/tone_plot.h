// The tone curve of a batch: density against minutes, on pictures and in the report alike.
#pragma once

#include "plan/bite_plan.h"
#include "sheets/axes.h"
#include "wedge/tone_curve.h"

namespace rebite::sheets {

inline constexpr double kHalf90 = 1.6449;  // half of a 90 % interval, in standard errors

struct TonePlot {
  Axes axes;
  std::vector<double> minutes, density, low, high;  // the curve and its 90 % band
  bool past_steps = false;                          // some steps lie past the useful end
};

// Time runs on a square-root axis, so that the first minutes have room. The frame is the plot's,
// mm.
TonePlot tone_plot(const wedge::Batch& batch, double x, double y, double width, double height);
// Axes, band, curve, steps with 90 % bars (crosses past the useful end), solid, useful end (or
// the wedge's last step, where it shows none); and where the plan's stages end.
void draw_tone_plot(PlotCanvas& on,
                    const TonePlot& plot,
                    const wedge::Batch& batch,
                    const std::vector<plan::Stage>& stages);

}  // namespace rebite::sheets

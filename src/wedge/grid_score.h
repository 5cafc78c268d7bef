// How well a grid of steps fits the picture.
#pragma once

#include "wedge/frame_sums.h"
#include "wedge/step_grid.h"

namespace rebite::wedge {

// Left out along the edges of a cell, where the blur mixes tones (in density it reaches further
// into the darker one), in mm: across the wedge's sides, between steps when scoring, when looking
// for the place.
inline constexpr double side_mm = 1.3, edge_mm = 1.0, settle_mm = 0.5;

class GridScore {
 public:
  GridScore(const WedgeFrame& frame, const DarkBox& dark);

  // sd of the tone about the cells' means with `trim_mm` left out along the edges; 1e9 where a cell
  // leaves the scan. Fills level and range.
  double scatter(StepGrid& g, double trim_mm) const;
  // Moves the grid to the best place near by: begin and pitch, in shrinking strides.
  void settle(StepGrid& g) const;

  // May the grid be a wedge? What lies between cells set apart is clearly lighter than they are.
  bool gaps_are_light(const StepGrid& g) const;
  // One row cut lengthwise: both halves show the same tones, and by their own wiping scatter less
  // than the whole.
  static bool rows_repeat(const StepGrid& g);
  // Cells past the light end of the dark box (one row): even inside (no step's border, no plate
  // edge), no darker than the step before, not on bare paper.
  bool faint_cells_are_even(const StepGrid& g) const;
  // The same of one more cell at the light end, and clearly darker than the unbitten metal around:
  // then the wedge has more steps than the grid.
  bool goes_on(const StepGrid& g) const;
  // Density of the unbitten metal beside a cell of one row, on the wedge's long sides; the nearer
  // in tone to the cell.
  double beside(const StepGrid& g, int column) const;
  // Cells at the light end that look like the metal beside them (one row).
  int unseen_cells(const StepGrid& g) const;

  // Factor on the scatter where the box is not covered from end to end: the scatter alone would let
  // the cells shrink. Past the light end of the box cells may go on.
  double covering(const StepGrid& g) const;

  double px_per_mm() const { return px_; }
  const DarkBox& dark() const { return dark_; }

 private:
  bool even_inside(const StepGrid& g, int column, double margin_begin, double margin_end) const;
  double level(const StepGrid& g, int row, int column) const;

  double px_;
  DarkBox dark_;
  FrameSums sums_;   // of densities
  FrameSums tones_;  // of the angular tone
};

}  // namespace rebite::wedge

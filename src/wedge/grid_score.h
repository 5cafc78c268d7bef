// How well a grid of steps fits the picture.
#pragma once

#include "wedge/frame_sums.h"
#include "wedge/row_profile.h"
#include "wedge/step_grid.h"

namespace rebite::wedge {

// Left out along the edges of a cell, where the blur mixes tones (in density it reaches further
// into the darker one), in mm: across the wedge's sides, between steps when scoring, when looking
// for the place.
inline constexpr double side_mm = 1.3, edge_mm = 1.0, settle_mm = 0.8;

class GridScore {
 public:
  GridScore(const WedgeFrame& frame, const DarkBox& dark);

  // sd of the tone about the cells' means with `trim_mm` left out along the edges; 1e9 where a cell
  // leaves the scan. Fills level and range.
  double scatter(StepGrid& g, double trim_mm) const;
  // The rows' profiles, and how far they stray from even cells there (StepGrid::misfit, no tolls
  // but that for the core's being covered).
  std::vector<RowProfile> profiles(const StepGrid& g) const;
  double misfit(const StepGrid& g, const std::vector<RowProfile>& profiles) const;
  // Moves the grid to the best place near by: begin and pitch, in shrinking strides.
  void settle(StepGrid& g, const std::vector<RowProfile>& profiles) const;

  // Fills shown_begin and shown_end: from the core to where the rows fall to the metal beside them.
  void find_shown(StepGrid& g) const;

  // Two rows (their sides are enough): does each show a bitten step, do they differ?
  bool two_rows_show(const StepGrid& g) const;

  // May the grid be a wedge? See the parts below.
  bool may_be_wedge(const StepGrid& g) const;
  // One more cell at the light end of a row is even and clearly darker than the unbitten metal
  // around: then the wedge has more steps than the grid.
  bool goes_on(const StepGrid& g) const;
  // Density of the unbitten metal beside a column, on the wedge's long sides; the darker, since the
  // other may lie past the plate.
  double beside(const StepGrid& g, int column) const;
  // The light end of a row, or a corner of two, looks like the metal beside it.
  bool has_unbitten(const StepGrid& g) const;
  // Columns at the light end that look like the metal beside them.
  int unseen_cells(const StepGrid& g) const;

  // Factor on the scatter where the box is not covered from end to end: the scatter alone would let
  // the cells shrink. Past the light end of the box cells may go on.
  double covering(const StepGrid& g) const;

  double px_per_mm() const { return px_; }
  const DarkBox& dark() const { return dark_; }

 private:
  // No bitten metal lies past the light end: else these are the dark steps of a longer wedge.
  bool covers_ladder(const StepGrid& g) const;
  // What lies between cells set apart is clearly lighter than they are.
  bool gaps_are_light(const StepGrid& g) const;
  // One row cut lengthwise: both halves show the same tones, and by their own wiping scatter less
  // than the whole.
  static bool rows_repeat(const StepGrid& g);
  // Two steps of one row taken for two rows.
  bool columns_repeat(const StepGrid& g) const;
  // Past the light end of what shows: even inside (no step's border, no plate edge), no darker than
  // the step before, not on bare paper.
  bool faint_cells_are_even(const StepGrid& g) const;
  // Beside dark columns the long sides are unbitten: no further row.
  bool stands_alone(const StepGrid& g) const;
  // Past the dark end lies unbitten metal, and the scan (or window) shows it.
  bool ends_dark(const StepGrid& g) const;
  // Each of two rows shows a bitten step.
  bool both_rows_show(const StepGrid& g) const;
  // Mean density of a band along a column's side, `at` to `at + wide` across the wedge.
  double band(const StepGrid& g, int column, double at, double wide) const;
  bool even_inside(
      const StepGrid& g, int row, int column, double margin_begin, double margin_end) const;
  double level(const StepGrid& g, int row, int column) const;

  const WedgeFrame& frame_;
  double px_;
  DarkBox dark_;
  FrameSums sums_;   // of densities
  FrameSums tones_;  // of the angular tone
};

}  // namespace rebite::wedge

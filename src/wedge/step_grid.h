// Where the steps lie in an upright picture: a row or two of equal cells.
#pragma once

#include <memory>
#include <opencv2/core.hpp>
#include <optional>
#include <vector>

#include "wedge/wedge_frame.h"

namespace rebite::wedge {

// No grid's misfit is less (tone, see below).
inline constexpr double finest_misfit = 0.0015;

// A row (or two) of equal cells, in frame pixels.
struct StepGrid {
  bool along_y = false;     // the steps follow each other down the frame instead of across it
  bool dark_first = false;  // the dark end is column 0
  int rows = 1, columns = 0;
  double begin = 0, pitch = 0;  // along the wedge: cell k is begin + k pitch .. + pitch
  double side_begin = 0, side_pitch = 0;
  double dark_begin = 0, dark_end = 0;      // along the wedge: where the core is
  double shown_begin = 0, shown_end = 0;    // and how far towards the light end anything shows
  bool runs_out = false;                    // something shows as far as the scan or window goes
  double gap = 0;                           // unbitten between cells along the wedge
  double row_gap = 0;                       // unbitten between two rows
  int unseen_before = 0, unseen_after = 0;  // end cells that look like unbitten metal
  // sd along the rows of the tone (WedgeFrame::tone) about the cells' means and gentle slopes, with
  // tolls for what is unseen, uncovered or in gaps.
  double misfit = 1e9;
  double scatter = 1e9;       // sd of the tone in all of the cells' area, where anything shows
  double range = 0;           // darkest minus lightest cell mean
  std::vector<double> level;  // mean density of each cell, row by row
  double border = 0;          // density of the unbitten metal beside the cells

  // Frame rectangle of a cell; pixels left out at its ends along the wedge and at its sides.
  cv::Rect2d cell(int row, int column, double trim, double side_trim) const;
};

// The dark part that could be a wedge: its bounding box in the frame and the tone around it.
struct DarkBox {
  cv::Rect box;        // darker than unbitten metal
  cv::Rect core;       // at least about half as dark as the darkest: its sides are the steps'
  double border = 0;   // density
  double darkest = 0;  // density, over 3 mm
};
// Empty: nothing is darker than its surroundings by 0.15 D over 3 mm.
std::optional<DarkBox> find_dark_box(const WedgeFrame& frame);
// The dark part goes on to the edge of the scan or window: it may be a part of the wedge only.
bool cut_off(const WedgeFrame& frame, const DarkBox& dark);

class GridScore;

// Looks for grids in one frame (which must outlive it).
class GridSearch {
 public:
  GridSearch(const WedgeFrame& frame, const DarkBox& dark);
  ~GridSearch();
  // The best grid of `steps` cells in one or two rows, along either axis. In one row the light
  // steps may lie past what is dark, down to steps that cannot be told from unbitten metal. Empty:
  // too small for that. `unbitten`: only grids whose lightest cell looks unbitten.
  std::optional<StepGrid> best(int steps, bool unbitten) const;
  // Does one more bitten step follow at the light end of a row?
  bool goes_on(const StepGrid& grid) const;
  // Density of the unbitten metal beside a cell of a row.
  double metal_beside(const StepGrid& grid, int column) const;

 private:
  std::unique_ptr<const GridScore> score_;
};

// Does the picture look like those cells: are they even, do they differ?
bool looks_like_steps(const StepGrid& grid);

// How the borders between the cells show. Cells of a misread picture are cut out of wider steps.
struct GridBorders {
  int shown = 0;     // borders with a change of tone
  int possible = 0;  // borders between cells that can be told from unbitten metal
  // Of touching cells: a border shows at every so-many-th place and between these none, as where
  // each real step is cut into so many cells. 1 if not so.
  int every = 1;
  int steps = 0;  // then: how many steps there are, or parts of such
};
GridBorders borders_of(const StepGrid& grid);

}  // namespace rebite::wedge

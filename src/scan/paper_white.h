// The sheet's own bare paper as the white: a smooth field over the scan.
#pragma once

#include <opencv2/core.hpp>
#include <vector>

#include "units/problem.h"

namespace rebite::scan {

// log10 reflectance of bare paper as a polynomial of x and y (each -1..1 over the scan), total
// degree `degree`. Low order on purpose: it must bridge the plate from the margins.
struct WhiteField {
  int degree = 0;
  std::vector<double> terms;  // in the order 1, x, y, xx, xy, yy, xxx, ...
  int width = 0, height = 0;  // of the scan
  double log_at(double x_px, double y_px) const;
  double at(double x_px, double y_px) const;
};

struct PaperWhite {
  WhiteField field;
  double residual_sd = 0;    // log10, of paper cells about the field (trimmed)
  double unevenness = 0;     // (max - min) / mean of the field over the scan
  double paper_share = 0;    // of the scan's area taken as bare paper
  double doubt = 0;          // log10, one sd, of the field in the middle of the scan
  bool margins_seen = true;  // false: no bare paper found, the brightest tone stands in
  cv::Mat1b paper_cells;     // 255 where a cell was taken as bare paper, for tests and pictures
  double cell_px = 0;
  std::vector<cv::Point> sheet_px;  // outline of the sheet; empty: it fills the scan, or not known
  Notes notes;
};

// `reflectance` is absolute and linear, > 0. `px_per_mm` 0 = not known (cells by share of the
// scan). `shape`: the light's fall-off from a blank sheet, divided out before the fit; may be null.
PaperWhite find_paper_white(const cv::Mat1f& reflectance,
                            double px_per_mm,
                            const WhiteField* shape = nullptr);

// The field of a scan that shows nothing but blank paper: fitted to all of it.
PaperWhite fit_blank_sheet(const cv::Mat1f& reflectance, double px_per_mm);

// reflectance /= field, in place.
void divide_by(cv::Mat1f& reflectance, const WhiteField& field, const WhiteField* shape = nullptr);

// Everything outside the outline becomes NaN. Returns the share of pixels that lie outside.
double leave_out_beyond(cv::Mat1f& relative, const std::vector<cv::Point>& sheet_px);

}  // namespace rebite::scan

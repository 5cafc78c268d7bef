// A low-order polynomial surface fitted robustly to scattered levels; used for bare paper.
#pragma once

#include <vector>

#include "scan/paper_white.h"

namespace rebite::scan {

// One patch of paper: place in pixels and log10 of its mean reflectance.
struct PaperLevel {
  double x = 0, y = 0, level = 0;
};

int terms_of(int degree);

// Least squares with Tukey's biweight (tuning 4.685 robust sd, Holland & Welsch 1977), 12 rounds.
// `weights`, when given, receives the last weights, 0 = thrown out. Needs at least as many levels
// as terms.
WhiteField fit_field(const std::vector<PaperLevel>& levels,
                     int degree,
                     int width,
                     int height,
                     std::vector<double>* weights = nullptr);

// Degree 0..most whose error on left-out sectors around the middle is least (a lower degree wins
// within 5 %), and that error, log10.
struct DegreeChoice {
  int degree = 0;
  double error = 0;
};
DegreeChoice choose_degree(const std::vector<PaperLevel>& levels, int most, int width, int height);

// 1.4826 * median of |v|.
double robust_sd(std::vector<double> v);

}  // namespace rebite::scan

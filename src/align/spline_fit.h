// Least-squares fit of the smooth displacement: a stiff and a fine spline layer, solved together.
#pragma once

#include <Eigen/SparseCore>
#include <map>
#include <memory>
#include <opencv2/core.hpp>
#include <utility>
#include <vector>

#include "align/parallel.h"
#include "align/sparse_cholesky.h"
#include "align/spline_field.h"

namespace rebite::align {

// One measured displacement.
struct FitDatum {
  cv::Point2d at;     // proof mm
  cv::Vec2d shift;    // measured u there, mm
  cv::Matx22d info;   // inverse covariance of shift, 1/mm^2, calibrated
  int set = 0;        // which set of patches it came from
  double weight = 1;  // robust weight, 0..1
};

// What is believed of the displacement before anything is measured.
// Stiff layer: bending energy  integral (u_xx^2 + 2 u_xy^2 + u_yy^2)  over the area, times
// `bending` (1/mm^2 per mm^-2: dimensionless with u and the area in mm), so affine maps are free;
// and the energy of third derivatives (u_xxx^2 + 3 u_xxy^2 + 3 u_xyy^2 + u_yyy^2) times
// reach^2 as much. A field of that energy has the spectrum 1 / (k^4 (1 + reach^2 k^2)): waves
// shorter than about 6 reach are rare, and a bend goes on where nothing was seen.
// Fine layer: each coefficient normal about 0 with sd `fine_sd` mm; it returns to nothing where
// nothing was seen.
struct SmoothnessPrior {
  double bending = 300;
  double fine_sd = 0.02;
  double reach = 0;  // mm
};

// The grids and the pattern of the normal equations; set up once for an area.
class SplineFit {
 public:
  // `spacing_mm` of the fine layer; the stiff layer's is `ratio` times that.
  SplineFit(const cv::Rect2d& area_mm, double spacing_mm, int ratio, int threads);

  struct Answer {
    SplineField stiff, fine;
    std::vector<cv::Vec2d> residual;  // e of each datum, mm: its shift less both layers there
    double chi2 = 0;                  // sum of weight * e^T info e
    double prior_energy = 0;          // c^T P c
    double log_det = 0;               // of the posterior precision
    double log_prior_det = 0;         // of the prior precision on what it holds (up to a constant)
  };
  // Minimises sum weight e^T info e + prior. Keeps the factor for `covariance_at`.
  Answer solve(const std::vector<FitDatum>& data, const SmoothnessPrior& prior);
  // The same in two steps, for one set of data under several priors: `data` must live on.
  void take(const std::vector<FitDatum>& data);
  Answer solve_taken(const SmoothnessPrior& prior);

  // work(fit, k) for k = 0..n-1, two at a time where there are threads for it, each on a fit of its
  // own that is made alike. Leaves this fit's factor and taken data undefined.
  template <class Work>
  void side_by_side(int n, const Work& work) {
    if (threads_ < 2 || n < 2) {
      for (int k = 0; k < n; ++k) work(*this, k);
      return;
    }
    if (!twin_) twin_ = std::make_shared<SplineFit>(*this);
    const int threads = std::exchange(threads_, 1);
    twin_->threads_ = 1;
    in_parallel(2, 2, [&](int first, int last) {
      for (int t = first; t < last; ++t)
        for (int k = t; k < n; k += 2) work(t ? *twin_ : *this, k);
    });
    threads_ = threads;
  }
  void drop_twin() { twin_.reset(); }  // its memory

  // Posterior covariance (mm^2) of u at places, from the last solve.
  std::vector<cv::Matx22d> covariance_at(const std::vector<cv::Point2d>& places) const;

  int unknowns() const { return 2 * (stiff_.size() + fine_.size()); }
  double spacing() const { return fine_.spacing; }
  const cv::Rect2d& area() const { return area_; }

 private:
  struct Basis {
    int cell = 0;                     // of the fine grid
    std::array<double, 32> weight{};  // 16 stiff, 16 fine
  };
  using Sparse = Eigen::SparseMatrix<double>;

  Basis basis_at(cv::Point2d mm) const;
  std::array<int, 32> functions_of(int cell) const;  // indices of the functions, stiff first
  void build_pattern();
  void add_prior(const SmoothnessPrior& prior);
  void add_cells(const std::vector<FitDatum>& data);
  struct Members;
  void add_lot(const Members& members, int lot);
  double log_det_of_energy(double reach);

  cv::Rect2d area_;
  SplineGrid stiff_, fine_;
  int ratio_ = 2, threads_ = 1;
  Sparse bending_, third_;                // of the stiff layer, one component; same pattern
  std::map<double, double> energy_dets_;  // by reach
  Sparse normal_;                         // lower triangle
  std::vector<int> slots_;                // per cell: where its local matrix goes in normal_
  std::vector<int> bending_slots_;        // per entry of bending_ (lower), x and y component
  std::vector<int> diagonal_slots_;
  SparseCholesky factor_;
  const std::vector<FitDatum>* data_ = nullptr;  // taken; normal_ without the prior and its side:
  std::vector<double> of_data_;
  Eigen::VectorXd right_;
  std::shared_ptr<SplineFit> twin_;
};

}  // namespace rebite::align

// Cholesky factor of a sparse symmetric positive definite matrix, by dense blocks.
#pragma once

#include <Eigen/Core>
#include <Eigen/SparseCore>
#include <opencv2/core/matx.hpp>
#include <span>
#include <vector>

namespace rebite::align {

// Multifrontal method with supernodes (Duff and Reid, ACM TOMS 9, 302, 1983; Liu, SIAM Review 34,
// 82, 1992): columns of the factor with the same rows are one dense panel, so the work is in
// products of dense matrices and not in single numbers. Subtrees of the elimination tree are
// worked on side by side; every sum has one fixed order, so threads do not change a bit.
//
// Unknowns come in pairs: 2k and 2k + 1 share one pattern (the two components of a displacement).
class SparseCholesky {
 public:
  using Sparse = Eigen::SparseMatrix<double>;  // lower triangle, compressed

  // Orders the unknowns and lays out the factor. Square, of even size.
  void analyze(const Sparse& lower);
  // `lower` has the pattern that was analyzed. False: not positive definite.
  bool factorize(const Sparse& lower, int threads);

  Eigen::VectorXd solve(const Eigen::VectorXd& right) const;
  double log_det() const;  // natural logarithm of the determinant

  // One pair of unknowns and its weight in a linear form
  // sum weight * (unknown 2 pair, unknown 2 pair + 1).
  struct Term {
    int pair = 0;
    double weight = 0;
  };
  using Form = std::vector<Term>;
  // B^T A^-1 B of each form: its covariance, where A is a precision. Forms whose pairs lie close to
  // each other are best next to each other: they are worked on in lots of kLot.
  static constexpr int kLot = 8;
  std::vector<cv::Matx22d> variances_of(std::span<const Form> forms, int threads) const;

 private:
  struct Node {                  // a supernode; sizes in unknowns
    int first = 0, columns = 0;  // in the factor's order
    std::vector<int> below;      // pairs of the rows under its own, increasing
    int parent = -1;
    std::vector<int> children;
    std::vector<int> in_parent;  // rows of `below`, as places in the parent's front, by pairs
    std::size_t panel = 0;       // where its (columns + below) x columns panel starts
    double work = 0;             // multiplications of its subtree
    int rows() const { return columns + 2 * static_cast<int>(below.size()); }
  };

  void make_nodes(const std::vector<std::vector<int>>& rows_of, const std::vector<int>& parent);
  void link_nodes();
  void place_entries(const Sparse& lower);
  void choose_subtrees();
  bool factor_node(int k, int threads);
  void assemble(int k);
  struct Scratch;
  void variances_of_lot(std::span<const Form> forms, Scratch& scratch, cv::Matx22d* out) const;

  std::vector<int> place_;  // of a pair, in the factor's order
  std::vector<Node> nodes_;
  std::vector<int> node_of_;             // of a pair in the factor's order
  std::vector<std::size_t> entry_;       // where each nonzero of the matrix goes in panels_
  std::vector<std::vector<int>> apart_;  // nodes of subtrees that are independent, in order
  std::vector<int> above_;               // the other nodes, in order
  std::vector<double> panels_;
  std::vector<Eigen::MatrixXd> updates_;  // of the nodes whose parent is not done yet
};

}  // namespace rebite::align

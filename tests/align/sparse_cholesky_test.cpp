// The factor by dense blocks against Eigen's plain one (an independent implementation).
#include "align/sparse_cholesky.h"

#include <gtest/gtest.h>

#include <Eigen/Dense>
#include <Eigen/SparseCholesky>
#include <random>

#include "align/dense_panel.h"

namespace rebite::align {
namespace {

using Sparse = SparseCholesky::Sparse;

// A grid of pairs, each coupled with the pairs at most `reach` away in both directions, as the
// functions of a spline are; positive definite by its diagonal.
Sparse grid_matrix(int nx, int ny, int reach, unsigned seed) {
  std::mt19937 random(seed);
  std::uniform_real_distribution<double> value(-1, 1);
  std::vector<Eigen::Triplet<double>> entries;
  const auto add_pair = [&](int a, int b) {
    for (int c = 0; c < 2; ++c)
      for (int d = 0; d < 2; ++d) {
        const int row = 2 * a + c, col = 2 * b + d;
        if (row > col) entries.emplace_back(row, col, value(random));
        if (row == col) entries.emplace_back(row, col, 40 + value(random));
      }
  };
  for (int a = 0; a < nx * ny; ++a)
    for (int b = 0; b <= a; ++b)
      if (std::abs(a % nx - b % nx) <= reach && a / nx - b / nx <= reach) add_pair(a, b);
  Sparse m(2 * nx * ny, 2 * nx * ny);
  m.setFromTriplets(entries.begin(), entries.end());
  return m;
}

class OnGrids : public testing::TestWithParam<std::array<int, 3>> {};

TEST_P(OnGrids, AgreesWithThePlainFactor) {
  const auto [nx, ny, reach] = GetParam();
  const Sparse m = grid_matrix(nx, ny, reach, 7);
  const Eigen::SimplicialLDLT<Sparse, Eigen::Lower> plain(m);
  ASSERT_EQ(plain.info(), Eigen::Success);
  SparseCholesky factor;
  factor.analyze(m);
  const Eigen::VectorXd right = Eigen::VectorXd::LinSpaced(m.rows(), -1, 2);
  for (int round = 0; round < 2; ++round) {  // the second time over what the first left
    ASSERT_TRUE(factor.factorize(m, 2));
    EXPECT_LT((factor.solve(right) - plain.solve(right)).cwiseAbs().maxCoeff(), 1e-12);
    EXPECT_NEAR(factor.log_det(), plain.vectorD().array().log().sum(), 1e-9);
  }

  std::vector<SparseCholesky::Form> forms;
  for (int k = 0; k < nx * ny; k += 3) forms.push_back({{k, 0.7}, {(k * 5 + 1) % (nx * ny), -0.4}});
  const auto got = factor.variances_of(forms, 2);
  for (std::size_t f = 0; f < forms.size(); ++f) {
    Eigen::MatrixX2d b = Eigen::MatrixX2d::Zero(m.rows(), 2);
    for (const auto& [pair, weight] : forms[f])
      for (int c = 0; c < 2; ++c) b(2 * pair + c, c) += weight;
    const Eigen::MatrixX2d x = plain.solve(b);
    const Eigen::Matrix2d wanted = b.transpose() * x;
    for (int r = 0; r < 2; ++r)
      for (int c = 0; c < 2; ++c) EXPECT_NEAR(got[f](r, c), wanted(r, c), 1e-13) << f;
  }
}

INSTANTIATE_TEST_SUITE_P(Sizes,
                         OnGrids,
                         testing::Values(std::array{1, 1, 1},
                                         std::array{2, 1, 1},
                                         std::array{17, 1, 3},
                                         std::array{9, 14, 1},
                                         std::array{30, 22, 3},
                                         std::array{12, 5, 0}));

TEST(SparseCholesky, SameBitsWithAnyNumberOfThreads) {
  const Sparse m = grid_matrix(31, 27, 3, 11);
  const Eigen::VectorXd right = Eigen::VectorXd::LinSpaced(m.rows(), -1, 2);
  SparseCholesky one, other;
  one.analyze(m);
  other.analyze(m);
  ASSERT_TRUE(one.factorize(m, 1));
  std::vector<SparseCholesky::Form> forms;
  for (int k = 0; k + 1 < 31 * 27; ++k) forms.push_back({{k, 0.5}, {k + 1, 0.5}});
  const auto variances = one.variances_of(forms, 1);
  for (const int threads : {2, 3, 8}) {
    ASSERT_TRUE(other.factorize(m, threads));
    EXPECT_EQ(other.solve(right), one.solve(right)) << threads;
    EXPECT_EQ(other.log_det(), one.log_det()) << threads;
    EXPECT_TRUE(other.variances_of(forms, threads) == variances) << threads;
  }
}

// A panel of rows x columns, its leading square positive definite.
Eigen::MatrixXd panel_of(int rows, int columns) {
  std::mt19937 random(5);
  std::uniform_real_distribution<double> value(-1, 1);
  Eigen::MatrixXd panel(rows, columns);
  for (int j = 0; j < columns; ++j)
    for (int i = 0; i < rows; ++i) panel(i, j) = value(random) + (i == j ? 3 * columns : 0);
  return panel;
}

TEST(DensePanel, AgreesWithEigenAndIsTheSameWithAnyVectorsAndThreads) {
  for (const auto& [rows, columns] : {std::pair{1, 1}, {7, 3}, {64, 64}, {301, 130}, {517, 77}}) {
    const Eigen::MatrixXd start = panel_of(rows, columns);
    Eigen::MatrixXd panel = start, plain = start;
    ASSERT_TRUE(factor_panel(panel.data(), rows, columns, 2));
    ASSERT_TRUE(factor_panel(plain.data(), rows, columns, 1, Vectors::plain));
    const int below = rows - columns;
    const Eigen::MatrixXd lower = panel.topRows(columns).triangularView<Eigen::Lower>();
    const Eigen::MatrixXd wanted = start.topRows(columns).selfadjointView<Eigen::Lower>();
    EXPECT_LT((lower * lower.transpose() - wanted).cwiseAbs().maxCoeff(), 1e-11 * columns);
    Eigen::MatrixXd square = Eigen::MatrixXd::Constant(below, below, 0.5), other = square;
    if (below > 0) {
      const Eigen::MatrixXd rest = panel.bottomRows(below);
      EXPECT_LT((rest * lower.transpose() - start.bottomRows(below)).cwiseAbs().maxCoeff(), 1e-11);
      const double* a = panel.data() + columns;
      subtract_square(square.data(), below, a, rows, below, columns, 2);
      subtract_square(other.data(), below, a, rows, below, columns, 1, Vectors::plain);
      const Eigen::MatrixXd off = square.array() - 0.5;
      const Eigen::MatrixXd low = (off + rest * rest.transpose()).triangularView<Eigen::Lower>();
      EXPECT_LT(low.cwiseAbs().maxCoeff(), 1e-12);
    }
    for (int j = 0; j < columns; ++j)
      for (int i = j; i < rows; ++i) ASSERT_EQ(panel(i, j), plain(i, j)) << i << " " << j;
    for (int j = 0; j < below; ++j)
      for (int i = j; i < below; ++i) ASSERT_EQ(square(i, j), other(i, j)) << i << " " << j;
  }
}

TEST(SparseCholesky, SaysWhatIsNotPositiveDefinite) {
  Sparse m = grid_matrix(12, 12, 2, 3);
  SparseCholesky factor;
  factor.analyze(m);
  ASSERT_TRUE(factor.factorize(m, 2));
  m.coeffRef(100, 100) = -1;
  EXPECT_FALSE(factor.factorize(m, 2));
}

}  // namespace
}  // namespace rebite::align

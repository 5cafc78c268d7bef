// Monotone interpolation and isotonic regression against published tables and reference programs.
#include <gmock/gmock.h>
#include <gtest/gtest.h>

#include <Eigen/Dense>
#include <cmath>

#include "wedge/isotonic.h"
#include "wedge/pchip.h"

namespace rebite::wedge {
namespace {

using testing::DoubleNear;
using testing::Each;
using testing::Pointwise;
using V = std::vector<double>;

// RPN 14 of Fritsch & Carlson 1980.
const V x14{7.99, 8.09, 8.19, 8.7, 9.2, 10, 12, 15, 20};
const V f14{0, 2.76429e-5, 4.37498e-2, 0.169183, 0.469428, 0.943740, 0.998636, 0.999919, 0.999994};
const V at14{8.04, 8.14, 8.45, 8.95, 9.6, 11, 13.5, 17.5};

void expect_relative(const V& got, const V& want, double tolerance) {
  ASSERT_EQ(got.size(), want.size());
  for (std::size_t i = 0; i < got.size(); ++i) {
    EXPECT_NEAR(got[i], want[i], tolerance * std::max(std::fabs(want[i]), 1e-12)) << i;
  }
}

V values(const HermiteCurve& c, const V& x) {
  V out;
  for (double v : x) out.push_back(c.at(v));
  return out;
}

TEST(Pchip, Rpn14SlopesAndValues) {  // SciPy 1.10.1 PchipInterpolator
  const V slopes{0,
                 5.525086819e-4,
                 0.3358768346,
                 0.3494491677,
                 0.5969582389,
                 0.06032184552,
                 9.003953828e-4,
                 3.142468363e-5,
                 0};
  const V want{6.915091477e-6,
               0.01769716738,
               0.1065895378,
               0.303836183,
               0.7602476393,
               0.9860433625,
               0.999603364,
               0.9999761404};
  expect_relative(fritsch_butland_slopes(x14, f14), slopes, 1e-9);
  expect_relative(values(HermiteCurve(x14, f14), at14), want, 1e-9);
}

TEST(Pchip, Rpn14EvenAbscissae) {  // SciPy; a library manual prints the same to 4 digits
  const V want{0,
               0.46401431,
               0.96446961,
               0.99648809,
               0.99923975,
               0.99977114,
               0.99992502,
               0.99995609,
               0.99997755,
               0.99998999,
               0.999994};
  const HermiteCurve c(x14, f14);
  for (int k = 0; k <= 10; ++k) {
    EXPECT_NEAR(c.at(7.99 + k * 1.201), want[static_cast<std::size_t>(k)], 6e-9) << k;
  }
}

TEST(Pchip, SineAndEndClamp) {  // SciPy values published in a Julia package's tests
  const V x{0, .5, 1.5, 2, 3.5, 4};
  V y;
  for (double v : x) y.push_back(std::sin(v));
  expect_relative(fritsch_butland_slopes(x, y),
                  {1.1057782869445909,
                   0.6957572200815683,
                   0,
                   -0.2629523907424557,
                   -0.8234812654228293,
                   -0.8050347266265542},
                  1e-13);
  expect_relative(values(HermiteCurve(x, y), {.25, 1, 3}),
                  {0.2653390859810404, 0.8254299151143247, 0.1296832538628511},
                  1e-13);
  const V xe{0, 1, 2, 3.5, 4};
  const V ye{0, .1, -1, -1, 2};
  expect_relative(fritsch_butland_slopes(xe, ye), {0.3, 0, 0, 0, 7.5}, 1e-13);
  expect_relative(
      values(HermiteCurve(xe, ye), {.5, 1.5, 3, 3.75}), {0.0875, -0.45, -1, 0.03125}, 1e-12);
}

TEST(FritschCarlson, Rpn14) {  // R 4.2.2 splinefun(method = "monoH.FC")
  const V slopes{1.04795355905e-6,
                 8.29286337861e-4,
                 0.34158451099,
                 0.42321872549,
                 0.59669,
                 0.0822609884336,
                 1.28070626706e-3,
                 4.41630404639e-5,
                 8.63862587379e-6};
  const V want{3.46847019623e-6,
               0.0176292811418,
               0.102152952656,
               0.308463545343,
               0.758026901157,
               0.991433070542,
               0.99974120371,
               0.999978702759};
  const V got = fritsch_carlson_slopes(x14, f14);
  expect_relative(got, slopes, 1e-11);
  expect_relative(values(HermiteCurve(x14, f14, got), at14), want, 1e-11);
}

// A natural cubic spline through the same points: overshoots, so it must never draw a tone curve.
double natural_spline(const V& x, const V& y, double at) {
  const auto n = static_cast<Eigen::Index>(x.size());
  const auto X = [&](Eigen::Index i) { return x[static_cast<std::size_t>(i)]; };
  const auto Y = [&](Eigen::Index i) { return y[static_cast<std::size_t>(i)]; };
  Eigen::MatrixXd A = Eigen::MatrixXd::Identity(n, n);
  Eigen::VectorXd b = Eigen::VectorXd::Zero(n);
  for (Eigen::Index i = 1; i + 1 < n; ++i) {
    const double h0 = X(i) - X(i - 1);
    const double h1 = X(i + 1) - X(i);
    A(i, i - 1) = h0 / 6;
    A(i, i) = (h0 + h1) / 3;
    A(i, i + 1) = h1 / 6;
    b[i] = (Y(i + 1) - Y(i)) / h1 - (Y(i) - Y(i - 1)) / h0;
  }
  const Eigen::VectorXd m = A.partialPivLu().solve(b);
  Eigen::Index i = 0;
  while (i + 2 < n && X(i + 1) < at) ++i;
  const double h = X(i + 1) - X(i);
  const double a = (X(i + 1) - at) / h;
  const double c = (at - X(i)) / h;
  return a * Y(i) + c * Y(i + 1) +
         ((a * a * a - a) * m[i] + (c * c * c - c) * m[i + 1]) * h * h / 6;
}

TEST(Pchip, StaysInsideWhereTheNaturalSplineOvershoots) {
  EXPECT_NEAR(natural_spline(x14, f14, 11), 1.0990, 5e-5);  // R and SciPy agree
  const HermiteCurve butland(x14, f14);
  const HermiteCurve carlson(x14, f14, fritsch_carlson_slopes(x14, f14));
  for (const HermiteCurve* c : {&butland, &carlson}) {
    double before = -1e-15;
    for (double x = 7.5; x < 21; x += 0.003) {
      const double v = c->at(x);
      ASSERT_GE(v, before - 1e-15) << x;
      ASSERT_LE(v, 0.999994);
      ASSERT_GE(c->slope_at(x), -1e-12);
      before = v;
    }
  }
}

TEST(Pchip, InverseFindsTheEarliestPlace) {
  const HermiteCurve c({0, 1, 2, 3, 4}, {0, 1, 1, 1, 2});
  EXPECT_NEAR(c.inverse(1.0), 1.0, 1e-7);  // flat there: doubles see no nearer
  EXPECT_DOUBLE_EQ(c.inverse(-1), 0);
  EXPECT_DOUBLE_EQ(c.inverse(9), 4);
  const HermiteCurve f(x14, f14);
  for (double y = 1e-3; y < 0.999994; y += 0.0137) EXPECT_NEAR(f.at(f.inverse(y)), y, 1e-12);
}

TEST(Isotonic, DocumentationExamplesOfR) {  // R 4.2.2 isoreg
  const auto near = [](const V& want) { return Pointwise(testing::DoubleNear(1e-12), want); };
  EXPECT_THAT(isotonic({1, 0, 4, 3, 3, 5, 4, 2, 0}), near({.5, .5, 3, 3, 3, 3, 3, 3, 3}));
  const double t = 10.0 / 3;
  EXPECT_THAT(isotonic({1, 0, 4, 3, 3, 5, 4, 2, 3}), near({.5, .5, t, t, t, 3.5, 3.5, 3.5, 3.5}));
  EXPECT_THAT(isotonic({5, 9, 1, 2, 5, 6, 7, 8, 3, 8}),
              near({4.25, 4.25, 4.25, 4.25, 5, 6, 6, 6, 6, 8}));
  EXPECT_THAT(isotonic({23, 27, 25, 28}), near({23, 26, 26, 28}));
}

TEST(Isotonic, Weighted) {  // fdrtool 1.2.17 monoreg
  const auto near = [](const V& want) { return Pointwise(testing::DoubleNear(1e-12), want); };
  EXPECT_THAT(isotonic({1, 4, 2, 3, 6}, {1, 3, 1, 1, 2}), near({1, 3.4, 3.4, 3.4, 6}));
  EXPECT_THAT(
      isotonic({.05, .31, .28, .55, .83, .79, 1.10, 1.08, 1.35}, {1, 2, 1, 4, 1, 3, 1, 1, 2}),
      near({.05, .3, .3, .55, .8, .8, 1.09, 1.09, 1.35}));
  V y{5, 3, 4, 1, 2, 0};
  for (double& v : y) v = -v;
  V fit = isotonic(y);
  for (double& v : fit) v = -v;
  EXPECT_THAT(fit, near({5, 3.5, 3.5, 1.5, 1.5, 0}));
}

TEST(Isotonic, NamesThePooledRuns) {
  const V y{1, 4, 2, 3, 6};
  const auto runs = pooled_runs(y, isotonic(y, {1, 3, 1, 1, 2}));
  ASSERT_EQ(runs.size(), 1U);
  EXPECT_EQ(runs[0], std::make_pair(std::size_t{1}, std::size_t{3}));
  EXPECT_TRUE(pooled_runs({1, 1, 2}, {1, 1, 2}).empty()) << "equal from the start is not pooled";
}

}  // namespace
}  // namespace rebite::wedge

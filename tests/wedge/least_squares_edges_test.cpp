// The least-squares room where it meets the edges: models that cannot be computed everywhere, bounds
// that leave no room, parameters that nothing fixes. Each ends with the best it had, told as such.
#include <gtest/gtest.h>

#include <cmath>
#include <limits>

#include "wedge/least_squares.h"

namespace rebite::wedge {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;

VectorXd values(std::initializer_list<double> v) {
  VectorXd out(static_cast<Eigen::Index>(v.size()));
  Eigen::Index i = 0;
  for (const double x : v) out[i++] = x;
  return out;
}

// r_i = p - y_i about `centre`, computable only for p in [low, high].
LeastSquaresProblem about(double centre, double low, double high, double start) {
  LeastSquaresProblem problem;
  problem.count = 3;
  problem.start = values({start});
  problem.residuals = [=](const VectorXd& p, VectorXd& r) {
    if (p[0] < low || p[0] > high) return false;
    r << p[0] - centre - 0.1, p[0] - centre, p[0] - centre + 0.1;
    return true;
  };
  return problem;
}

TEST(LeastSquaresEdges, AModelThatFailsAtItsStartIsToldAndKeepsIt) {
  const auto fit = least_squares(about(1, 0, 2, 5));
  EXPECT_EQ(fit.end, FitEnd::not_computable);
  EXPECT_EQ(fit.parameters[0], 5);
  EXPECT_FALSE(fit.usable());
}

// Of several starts the one that can be computed, whichever comes first.
TEST(LeastSquaresEdges, StartsThatCannotBeComputedAreLeftOut) {
  auto problem = about(1, 0, 2, 5);
  for (const auto& starts : {std::vector{values({5}), values({0.5})},
                             std::vector{values({0.5}), values({5})},
                             std::vector{values({5}), values({0.5}), values({6}), values({1.5})}}) {
    const auto fit = least_squares_from(problem, starts);
    EXPECT_TRUE(fit.usable());
    EXPECT_NEAR(fit.parameters[0], 1, 1e-9);
  }
  EXPECT_EQ(least_squares_from(problem, {values({5}), values({6})}).end, FitEnd::not_computable);
}

// At the edge of what can be computed the differences are taken inwards, from either side.
TEST(LeastSquaresEdges, DifferencesAreTakenInwardsAtAnEdge) {
  for (const double start : {0.0, 2.0}) {
    const auto fit = least_squares(about(1, 0, 2, start));
    EXPECT_TRUE(fit.usable()) << start;
    EXPECT_NEAR(fit.parameters[0], 1, 1e-9);
  }
  // The bottom lies beyond the edge: steps into the void are taken back, the edge is come near.
  const auto fit = least_squares(about(3, 0, 2, 1));
  EXPECT_GT(fit.parameters[0], 1.9);
  EXPECT_LE(fit.parameters[0], 2);
  // Computable in one point only: no difference can be taken at all.
  EXPECT_EQ(least_squares(about(1, 0.7, 0.7, 0.7)).end, FitEnd::not_computable);
}

// Where one of the four points of a difference cannot be computed, it is taken from the other side;
// where two steps inwards cannot either, there is no difference.
TEST(LeastSquaresEdges, EachPointOfADifferenceMayBeOutOfReach) {
  // About 1 the points lie 2e-4 and 4e-4 to either side, the one-sided ones 1e-5 and 2e-5.
  for (const double low : {1 - 1e-4, 1 - 3e-4}) {
    EXPECT_TRUE(least_squares(about(1.5, low, 2, 1)).usable()) << low;
  }
  EXPECT_EQ(least_squares(about(1, 1 - 1.5e-5, 1 + 1.5e-5, 1)).end, FitEnd::not_computable);
  auto counted = about(1, 1 - 1e-5, 2, 1);
  int calls = 0;
  counted.residuals = [&calls](const VectorXd& p, VectorXd& r) {
    r << p[0], p[0], p[0];
    return ++calls == 1;  // the start, and nothing after it
  };
  EXPECT_EQ(least_squares(counted).end, FitEnd::not_computable);
}

// A step to where the slopes are no numbers is not taken, however far down it leads.
TEST(LeastSquaresEdges, AStepWithoutSlopesIsNotTaken) {
  auto problem = about(1, -10, 10, 0.5);
  problem.jacobian = [](const VectorXd& p, MatrixXd& J) {
    J.setConstant(p[0] == 0.5 ? 1 : std::numeric_limits<double>::quiet_NaN());
  };
  const auto fit = least_squares(problem);
  EXPECT_EQ(fit.parameters[0], 0.5);
  EXPECT_TRUE(std::isfinite(fit.sum_squares));
  // Slopes that are far too small ask for a step past the largest double.
  problem.jacobian = [](const VectorXd&, MatrixXd& J) { J.setConstant(1e-310); };
  EXPECT_TRUE(std::isfinite(least_squares(problem).parameters[0]));
}

TEST(LeastSquaresEdges, NumbersThatAreNoNumbersAreNotComputable) {
  auto problem = about(1, 0, 2, 0.5);
  problem.residuals = [](const VectorXd& p, VectorXd& r) {
    r.setConstant(std::sqrt(p[0] - 10));
    return true;
  };
  EXPECT_EQ(least_squares(problem).end, FitEnd::not_computable);
  problem = about(1, 0, 2, 0.5);
  problem.jacobian = [](const VectorXd&, MatrixXd& J) {
    J.setConstant(std::numeric_limits<double>::infinity());
  };
  EXPECT_EQ(least_squares(problem).end, FitEnd::not_computable);
}

TEST(LeastSquaresEdges, BoundsThatLeaveNoRoomHoldTheParameter) {
  auto problem = about(1, -10, 10, 0.5);
  problem.lower = problem.upper = values({0.5});
  const auto held = least_squares(problem);
  EXPECT_EQ(held.parameters[0], 0.5);
  EXPECT_TRUE(held.at_bound[0]);
  EXPECT_EQ(held.degrees_of_freedom, 3);
  EXPECT_EQ(held.unit_covariance(0, 0), 0);
  // Narrower than a difference needs, and the bottom beyond either bound.
  for (const double centre : {-1.0, 3.0}) {
    problem = about(centre, -10, 10, 0.5);
    problem.lower = values({0.5 - 1e-7});
    problem.upper = values({0.5 + 1e-7});
    const auto fit = least_squares(problem);
    EXPECT_NEAR(fit.parameters[0], 0.5, 1.1e-7);
  }
}

TEST(LeastSquaresEdges, AParameterThatNothingFixesIsSingular) {
  LeastSquaresProblem problem;
  problem.count = 3;
  problem.start = values({0.3, 0.4});
  problem.residuals = [](const VectorXd& p, VectorXd& r) {
    r << p[0] + p[1] - 1, p[0] + p[1] - 1.1, p[0] + p[1] - 0.9;
    return true;
  };
  const auto fit = least_squares(problem);
  EXPECT_EQ(fit.end, FitEnd::singular);
  EXPECT_NEAR(fit.parameters.sum(), 1, 1e-6);
}

TEST(LeastSquaresEdges, TooFewStepsAreTold) {
  LeastSquaresProblem problem;
  problem.count = 2;
  problem.start = values({-1.2, 1});
  problem.residuals = [](const VectorXd& p, VectorXd& r) {  // Rosenbrock 1960
    r << 10 * (p[1] - p[0] * p[0]), 1 - p[0];
    return true;
  };
  LeastSquaresOptions few;
  few.most_steps = 2;
  const auto fit = least_squares(problem, few);
  EXPECT_EQ(fit.end, FitEnd::ran_out_of_steps);
  EXPECT_LT(fit.sum_squares, 24.2);  // at the start
  const auto whole = least_squares(problem);
  EXPECT_TRUE(whole.usable());
  EXPECT_NEAR(whole.parameters[0], 1, 1e-9);
}

// A Jacobian that points uphill: no step goes down, and the search ends where it began.
TEST(LeastSquaresEdges, NoWayDownEndsAtTheStart) {
  auto problem = about(1e6, -1e9, 1e9, 0);
  problem.jacobian = [](const VectorXd&, MatrixXd& J) { J.setConstant(-1); };
  const auto fit = least_squares(problem);
  EXPECT_EQ(fit.parameters[0], 0);
  EXPECT_LE(fit.steps, 60);
}

}  // namespace
}  // namespace rebite::wedge

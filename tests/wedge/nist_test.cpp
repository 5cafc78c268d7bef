// The least-squares solver against the NIST Statistical Reference Datasets, nonlinear regression
// (NIST/ITL StRD; certified to 11 digits). Data: ../shared/data/nist, see its README for the copy.
#include <gtest/gtest.h>

#include <cmath>
#include <complex>
#include <fstream>
#include <functional>
#include <map>
#include <sstream>

#include "tests/support/outside_data.h"
#include "tests/wedge/nist_sets.h"
#include "wedge/least_squares.h"

namespace rebite::wedge {
namespace {

using Eigen::MatrixXd;
using Eigen::VectorXd;
using Z = std::complex<double>;
using Params = std::vector<Z>;
using Model = std::function<Z(const Params&, Z)>;

const std::map<std::string, Model>& models() {
  static const std::map<std::string, Model> all = {
      {"Misra1a", [](const Params& b, Z x) { return b[0] * (1.0 - exp(-b[1] * x)); }},
      {"BoxBOD", [](const Params& b, Z x) { return b[0] * (1.0 - exp(-b[1] * x)); }},
      {"Misra1b",
       [](const Params& b, Z x) { return b[0] * (1.0 - pow(1.0 + b[1] * x / 2.0, -2.0)); }},
      {"Misra1c",
       [](const Params& b, Z x) { return b[0] * (1.0 - pow(1.0 + 2.0 * b[1] * x, -0.5)); }},
      {"Misra1d", [](const Params& b, Z x) { return b[0] * b[1] * x / (1.0 + b[1] * x); }},
      {"Chwirut1", [](const Params& b, Z x) { return exp(-b[0] * x) / (b[1] + b[2] * x); }},
      {"Chwirut2", [](const Params& b, Z x) { return exp(-b[0] * x) / (b[1] + b[2] * x); }},
      {"DanWood", [](const Params& b, Z x) { return b[0] * pow(x, b[1]); }},
      {"Eckerle4",
       [](const Params& b, Z x) {
         const Z u = (x - b[2]) / b[1];
         return b[0] / b[1] * exp(-0.5 * u * u);
       }},
      {"Hahn1",
       [](const Params& b, Z x) {
         return (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) /
                (1.0 + x * (b[4] + x * (b[5] + x * b[6])));
       }},
      {"Thurber",
       [](const Params& b, Z x) {
         return (b[0] + x * (b[1] + x * (b[2] + x * b[3]))) /
                (1.0 + x * (b[4] + x * (b[5] + x * b[6])));
       }},
      {"Kirby2",
       [](const Params& b, Z x) {
         return (b[0] + x * (b[1] + x * b[2])) / (1.0 + x * (b[3] + x * b[4]));
       }},
      {"MGH09",
       [](const Params& b, Z x) { return b[0] * (x * x + x * b[1]) / (x * x + x * b[2] + b[3]); }},
      {"Rat42", [](const Params& b, Z x) { return b[0] / (1.0 + exp(b[1] - b[2] * x)); }},
      {"Rat43",
       [](const Params& b, Z x) { return b[0] / pow(1.0 + exp(b[1] - b[2] * x), 1.0 / b[3]); }},
  };
  return all;
}

LeastSquaresProblem problem_of(const NistSet& set, const Model& model, bool exact_jacobian) {
  LeastSquaresProblem p;
  p.count = static_cast<int>(set.y.size());
  p.residuals = [&set, &model](const VectorXd& b, VectorXd& r) {
    const Params z(b.begin(), b.end());
    for (std::size_t i = 0; i < set.y.size(); ++i) {
      r[static_cast<Eigen::Index>(i)] = model(z, set.x[i]).real() - set.y[i];
    }
    return true;
  };
  if (exact_jacobian) {
    // Complex step: the derivative to the last digit (Squire & Trapp, SIAM Review 40 (1998) 110).
    p.jacobian = [&set, &model](const VectorXd& b, MatrixXd& J) {
      for (Eigen::Index j = 0; j < b.size(); ++j) {
        Params z(b.begin(), b.end());
        const double h = 1e-30 * std::max(1.0, std::fabs(b[j]));
        z[static_cast<std::size_t>(j)] += Z(0, h);
        for (std::size_t i = 0; i < set.y.size(); ++i) {
          J(static_cast<Eigen::Index>(i), j) = model(z, set.x[i]).imag() / h;
        }
      }
    };
  }
  return p;
}

class Nist : public testing::TestWithParam<std::string> {};

void expect_certified(const NistSet& set, const LeastSquaresFit& fit, double sd_digits) {
  ASSERT_TRUE(fit.usable()) << "end " << static_cast<int>(fit.end);
  const MatrixXd c = fit.covariance_estimated();
  for (std::size_t j = 0; j < set.certified.size(); ++j) {
    const auto k = static_cast<Eigen::Index>(j);
    EXPECT_GE(digits(fit.parameters[k], set.certified[j]), 6) << "b" << j + 1;
    EXPECT_GE(digits(std::sqrt(c(k, k)), set.sd[j]), sd_digits) << "sd of b" << j + 1;
  }
  EXPECT_GE(digits(fit.sum_squares, set.rss), 8);
  EXPECT_EQ(fit.degrees_of_freedom, set.df);
}

TEST_P(Nist, StartTwoByDifferences) {
  const auto path = maker::outside_data("nist/" + GetParam() + ".txt");
  REBITE_NEEDS_OUTSIDE_DATA(path);
  const NistSet set = read_nist(path);
  auto p = problem_of(set, models().at(GetParam()), false);
  p.start = to_vector(set.start2);
  expect_certified(set, least_squares(p), 4);
}

TEST_P(Nist, StartTwoByExactJacobian) {
  const auto path = maker::outside_data("nist/" + GetParam() + ".txt");
  REBITE_NEEDS_OUTSIDE_DATA(path);
  const NistSet set = read_nist(path);
  auto p = problem_of(set, models().at(GetParam()), true);
  p.start = to_vector(set.start2);
  expect_certified(set, least_squares(p), 8);
}

// The far starts: either the certified answer or an end that says it is none.
TEST_P(Nist, StartOneIsSolvedOrRefused) {
  const auto path = maker::outside_data("nist/" + GetParam() + ".txt");
  REBITE_NEEDS_OUTSIDE_DATA(path);
  const NistSet set = read_nist(path);
  auto p = problem_of(set, models().at(GetParam()), true);
  p.start = to_vector(set.start1);
  const LeastSquaresFit fit = least_squares(p);
  RecordProperty("usable", fit.usable() ? 1 : 0);
  if (!fit.usable()) return;
  expect_certified(set, fit, 6);
}

INSTANTIATE_TEST_SUITE_P(StRD,
                         Nist,
                         testing::Values("Misra1a",
                                         "Misra1b",
                                         "Misra1c",
                                         "Misra1d",
                                         "BoxBOD",
                                         "Chwirut1",
                                         "Chwirut2",
                                         "DanWood",
                                         "Eckerle4",
                                         "Hahn1",
                                         "Kirby2",
                                         "MGH09",
                                         "Rat42",
                                         "Rat43",
                                         "Thurber"),
                         [](const auto& i) { return i.param; });

// From (1, 1) a plain Levenberg-Marquardt runs onto the plateau where b2 no longer matters.
TEST(NistBoxBod, StartOneBySpreadStarts) {
  const auto path = maker::outside_data("nist/BoxBOD.txt");
  REBITE_NEEDS_OUTSIDE_DATA(path);
  const NistSet set = read_nist(path);
  const auto p = problem_of(set, models().at("BoxBOD"), true);
  expect_certified(set, least_squares_from(p, spread_starts(to_vector(set.start1), 3, 16)), 8);
}

TEST(LeastSquares, SaysWhenDataDoNotFixTheParameters) {
  // Only the sum of the two parameters matters.
  LeastSquaresProblem p;
  p.count = 3;
  p.start = VectorXd::Ones(2);
  p.residuals = [](const VectorXd& b, VectorXd& r) {
    r << b[0] + b[1] - 1, b[0] + b[1] - 2, b[0] + b[1] - 4;
    return true;
  };
  EXPECT_EQ(least_squares(p).end, FitEnd::singular);
}

TEST(LeastSquares, StopsAtABound) {
  LeastSquaresProblem p;
  p.count = 2;
  p.start = VectorXd::Ones(2);
  p.lower = VectorXd::Zero(2);
  p.upper = VectorXd::Constant(2, 5.0);
  p.residuals = [](const VectorXd& b, VectorXd& r) {
    r << b[0] - 7, b[1] - 3;
    return true;
  };
  const auto fit = least_squares(p);
  ASSERT_TRUE(fit.usable());
  EXPECT_DOUBLE_EQ(fit.parameters[0], 5);
  EXPECT_NEAR(fit.parameters[1], 3, 1e-9);
  EXPECT_TRUE(fit.at_bound[0]);
  EXPECT_FALSE(fit.at_bound[1]);
  EXPECT_DOUBLE_EQ(fit.unit_covariance(0, 0), 0);
}

}  // namespace
}  // namespace rebite::wedge
